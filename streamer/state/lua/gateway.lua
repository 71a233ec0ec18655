-- Count each event once, keep the holes in the sequences, sum up what repeaters heard, take over
-- gateway states.
-- KEYS: due, live, then for each gateway its hash, its quarantine, the hashes of the hours of its
--       history and the sets of the stations that its repeaters heard.
-- ARGV: settings {now, grace, holes, boots, quarantine, sessions, flips, heard, history}, then for
--       each gateway one JSON object
--       {name, events = [[boot, seq, tally, call, reason, ms]...] or, of an over,
--        [boot, seq, tally, bucket, ms on the air or -1 for a start, signal, errors],
--        future_ms = newest or 0, hours = [ms that each is kept...], buckets = [[hour, field]...],
--        heard = [[ms, station, ms, station...]...],
--        states = [[boot, session, seq, ms, JSON, up, flips]...]}; seq of a will = 'will',
--        up = 1 or 0, flips = [[repeater, since_ms, up]...] as far as the state says; bucket and
--        hour count from 1, hour 0 is too long ago.
-- Returns for each gateway {one character an event: 1 new, 0 known before, - no longer judged;
--                           one character a state: 1 taken over, 0 not}.
local set = cjson.decode(ARGV[1])
local due, live = KEYS[1], KEYS[2]

-- Sequence numbers seen of a boot, as sorted ranges 'first-last,first-last'.
local function ranges_of(text)
  local ranges = {}
  for first, last in string.gmatch(text or '', '(%d+)-(%d+)') do
    ranges[#ranges + 1] = {tonumber(first), tonumber(last)}
  end
  return ranges
end

local function text_of(ranges)
  local parts = {}
  for j, range in ipairs(ranges) do parts[j] = whole(range[1]) .. '-' .. whole(range[2]) end
  return table.concat(parts, ',')
end

-- Put `seq` in; false if it was there. Searched from the end, where new ones belong.
local function put(ranges, seq)
  local j = #ranges
  while j > 0 and ranges[j][1] > seq do j = j - 1 end
  local below, above = ranges[j], ranges[j + 1]
  if below and seq <= below[2] then return false end
  local joins_below = below and below[2] + 1 == seq
  local joins_above = above and above[1] - 1 == seq
  if joins_below and joins_above then
    below[2] = above[2]
    table.remove(ranges, j + 1)
  elseif joins_below then
    below[2] = seq
  elseif joins_above then
    above[1] = seq
  else
    table.insert(ranges, j + 1, {seq, seq})
  end
  return true
end

-- The oldest holes are given up, and counted, when there are too many.
local function bound(key, ranges)
  while #ranges > set.holes do
    redis.call('HINCRBY', key, 'n:given_up', ranges[2][1] - ranges[1][2] - 1)
    ranges[1][2] = ranges[2][2]
    table.remove(ranges, 2)
  end
end

local function boots_of(key)
  local text = redis.call('HGET', key, 'boots') or ''
  local boots, open = {}, {}
  for boot in string.gmatch(text, '%S+') do boots[#boots + 1] = boot open[boot] = true end
  return boots, open
end

-- Admit a boot among the newest; false if it is older than all that are kept.
local function admit(key, boots, open, boot)
  if open[boot] then return true end
  local at = #boots + 1
  while at > 1 and bytes_less(boot, boots[at - 1]) do at = at - 1 end
  if at == 1 and #boots >= set.boots then return false end
  table.insert(boots, at, boot)
  open[boot] = true
  if #boots > set.boots then
    local gone = table.remove(boots, 1)
    open[gone] = nil
    redis.call('HDEL', key, 'seen:' .. gone)
  end
  redis.call('HSET', key, 'boots', table.concat(boots, ' '))
  return true
end

-- 'count last_ms reason' by call sign; the call signs heard last are kept.
local function quarantine(key, call, reason, ms)
  local known = redis.call('HGET', key, call)
  local count, last, why = 0, -1, reason
  if known then
    count, last, why = string.match(known, '^(%d+) (%-?%d+) (%S+)$')
    count, last = tonumber(count), tonumber(last)
  end
  redis.call('HSET', key, call,
    table.concat({whole(count + 1), whole(math.max(last, ms)), why}, ' '))
  if not known and redis.call('HLEN', key) > set.quarantine then
    local oldest, oldest_ms
    local all = redis.call('HGETALL', key)
    for j = 1, #all, 2 do
      local seen = tonumber(string.match(all[j + 1], '^%d+ (%-?%d+) '))
      if not oldest or seen < oldest_ms or (seen == oldest_ms and bytes_less(all[j], oldest)) then
        oldest, oldest_ms = all[j], seen
      end
    end
    redis.call('HDEL', key, oldest)
  end
end

-- A bucket is a line of whole numbers: starts, ends, ms on the air; then of the signal how many
-- said it, their sum, the least and the greatest; then the same of the errors. What is not touched
-- stays text: making numbers of text and text of numbers is what takes long.
local BUCKET = '^' .. string.rep('(%S+) ', 10) .. '(%S+)$'
local function sums_of(bucket, hours)
  local stored = redis.call('HGET', KEYS[hours + bucket[1]], bucket[2])
  if not stored then return {0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0}, true end
  return {string.match(stored, BUCKET)}, false
end

local function add_reading(sums, at, value)
  if value == cjson.null then return end
  local none = tonumber(sums[at]) == 0
  if none or value < tonumber(sums[at + 2]) then sums[at + 2] = value end
  if none or value > tonumber(sums[at + 3]) then sums[at + 3] = value end
  sums[at], sums[at + 1] = sums[at] + 1, sums[at + 1] + value
end

local function add_over(history, event)
  local place = event[4]
  local bucket = history.buckets[place]
  if bucket[1] == 0 then return end
  local sums = history[place]
  if not sums then
    sums, bucket[3] = sums_of(bucket, history.hours)
    history[place] = sums
  end
  if event[5] < 0 then
    sums[1] = sums[1] + 1
  else
    sums[2], sums[3] = sums[2] + 1, sums[3] + event[5]
  end
  add_reading(sums, 4, event[6])
  add_reading(sums, 8, event[7])
end

-- An hour is told once how long to live; the stations heard, again with every bucket.
local function write_history(history, gateway)
  local begun = false
  for place, bucket in ipairs(gateway.buckets) do
    local sums, key = history[place], KEYS[history.hours + bucket[1]]
    if sums then redis.call('HSET', key, bucket[2], table.concat(sums, ' ')) end
    if bucket[3] then
      redis.call('PEXPIRE', key, whole(gateway.hours[bucket[1]]))
      begun = true
    end
  end
  for n, stations in ipairs(gateway.heard) do
    local key = KEYS[history.hours + #gateway.hours + n]
    local fresh = redis.call('ZADD', key, 'GT', unpack(stations))
    if fresh > 0 then redis.call('ZREMRANGEBYRANK', key, 0, -1 - set.heard) end
    if fresh > 0 or begun then redis.call('PEXPIRE', key, whole(set.history)) end
  end
end

local function count_events(key, cage, gateway, history)
  local boots, open = boots_of(key)
  local seen, tally, verdicts, holes = {}, {}, {}, false
  for j, event in ipairs(gateway.events) do
    local boot, seq, kind = event[1], event[2], event[3]
    if not admit(key, boots, open, boot) then
      verdicts[j], kind = '-', 'too_old'
    else
      seen[boot] = seen[boot] or ranges_of(redis.call('HGET', key, 'seen:' .. boot))
      local new = put(seen[boot], seq)
      verdicts[j] = new and '1' or '0'
      if not new then
        kind = 'duplicate'
      elseif type(event[4]) == 'number' then
        add_over(history, event)
      elseif event[4] ~= '' then
        quarantine(cage, event[4], event[5], event[6])
      end
    end
    tally[kind] = (tally[kind] or 0) + 1
  end
  for boot, ranges in pairs(seen) do
    if open[boot] then
      bound(key, ranges)
      redis.call('HSET', key, 'seen:' .. boot, text_of(ranges))
      holes = holes or #ranges > 1 or (ranges[1] and ranges[1][1] > 1)
    end
  end
  for kind, count in pairs(tally) do redis.call('HINCRBY', key, 'n:' .. kind, count) end
  -- What a gateway that never speaks of routes carries is unknown, not nothing.
  if tally.route and redis.call('HSET', live, '@' .. gateway.name, 'routes') == 1 then
    wake(due, 'w/' .. gateway.name, set.now)
  end
  return table.concat(verdicts), holes
end

-- A will is the last word of its session: seq 'will' ranks above every number.
local function outranks(state, known)
  if not known then return true end
  if state[1] ~= known.boot then return bytes_less(known.boot, state[1]) end
  if state[2] ~= known.session then return state[2] > known.session end
  if known.seq == 'will' then return false end
  return state[3] == 'will' or state[3] > known.seq
end

-- Sessions [boot, session, began, last, ended] in rising order, the newest kept: when the gateway
-- was there, from which follows when nobody behind it could be heard. Each field is a minimum or
-- maximum over the states of the session, whatever their order.
local function note_session(sessions, state)
  local boot, number, ms = state[1], state[2], state[4]
  local ended = state[6] == 1 and 0 or 1
  local at = #sessions + 1
  for j, known in ipairs(sessions) do
    if known[1] == boot and known[2] == number then
      known[3], known[4] = math.min(known[3], ms), math.max(known[4], ms)
      known[5] = math.max(known[5], ended)
      return
    end
    if bytes_less(boot, known[1]) or (boot == known[1] and number < known[2]) then at = j break end
  end
  table.insert(sessions, at, {boot, number, ms, ms, ended})
  if #sessions > set.sessions then table.remove(sessions, 1) end
end

-- When a repeater went up or down, newest first, the newest kept.
local function note_flip(flips, flip)
  local repeater, ms, up = flip[1], flip[2], flip[3]
  local list = flips[repeater] or {}
  flips[repeater] = list
  local at = #list + 1
  for j, known in ipairs(list) do
    if known[1] == ms and known[2] == up then return end
    if ms > known[1] or (ms == known[1] and up > known[2]) then at = j break end
  end
  table.insert(list, at, {ms, up})
  list[set.flips + 1] = nil
end

local function take_state(gateway, state)
  local stored = redis.call('HGET', live, gateway)
  local record = stored and cjson.decode(stored) or {sessions = {}, flips = {}}
  local newest = outranks(state, record.boot and record or nil)
  note_session(record.sessions, state)
  for _, flip in ipairs(state[7]) do note_flip(record.flips, flip) end
  if newest then
    record.boot, record.session, record.seq, record.ms = state[1], state[2], state[3], state[4]
    record.taken, record.state = set.now, state[5]
  end
  redis.call('HSET', live, gateway, cjson.encode(record))
  return newest
end

local replies, at = {}, 3
for n = 2, #ARGV do
  local key, cage = KEYS[at], KEYS[at + 1]
  local gateway = cjson.decode(ARGV[n])
  local subject = 'w/' .. gateway.name
  local history = {buckets = gateway.buckets, hours = at + 1}
  local verdicts, holes = count_events(key, cage, gateway, history)
  write_history(history, gateway)
  at = at + 2 + #gateway.hours + #gateway.heard
  local closed = false
  if holes then
    -- A hole is looked at after a while: with several workers it is mostly another's, not a loss.
    redis.call('HSETNX', key, 'hole_ms', whole(set.now))
    wake(due, subject, set.now + set.grace)
  elseif redis.call('HEXISTS', key, 'hole_ms') == 1 then
    -- The last hole has been closed: whoever is just raising an alert about it must look again,
    -- and one that stands must end now.
    closed = true
    if (redis.call('HGET', key, '#conditions') or '') ~= '' then wake(due, subject, set.now) end
  end
  if gateway.future_ms > 0 then
    local known = tonumber(redis.call('HGET', key, 'future_ms') or '0')
    if gateway.future_ms > known then redis.call('HSET', key, 'future_ms', whole(gateway.future_ms)) end
    wake(due, subject, set.now)
  end
  local taken = {}
  for j, state in ipairs(gateway.states) do
    taken[j] = take_state(gateway.name, state) and '1' or '0'
    wake(due, subject, set.now)
  end
  if holes or closed or gateway.future_ms > 0 or #gateway.states > 0 then
    redis.call('HINCRBY', key, '#rev', 1)
  end
  replies[#replies + 1] = {verdicts, table.concat(taken)}
end
return replies
