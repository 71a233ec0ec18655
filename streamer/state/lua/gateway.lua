-- Count each event once, keep the holes in the sequences, sum up what repeaters heard, take over
-- gateway states.
-- KEYS: due, live, then for each gateway its hash, its quarantine, its old holes, the hashes of the
--       hours of its history, those of what is learned of its repeaters, and the sets of the
--       stations that they heard.
-- ARGV: settings {now, grace, flood_hold, floods, ranges, holes, boots, quarantine, sessions, flips,
--                 heard, history, learned = [cells, stations], coarser = [signal, errors]}, then
--       for each gateway
--       one JSON object
--       {name, events = [[boot, seq, tally, call, reason, ms]...] or, of an over,
--        [boot, seq, tally, bucket, ms on the air or -1 for a start, signal, errors, lines...],
--        future_ms = newest or 0, floods = [[ms, messages]...], history = sheets, learned = sheets,
--        heard = [[ms, station, ms, station...]...],
--        states = [[boot, session, seq, ms, JSON, up, flips, taken]...]}; seq of a will = 'will',
--        taken = when it came,
--        up = 1 or 0, flips = [[repeater, since_ms, up]...] as far as the state says; bucket and
--        lines are places in the sheets.
-- Returns for each gateway {one character an event: 1 new, 0 known before, - no longer judged;
--                           one character a state: 1 taken over, 0 not}.
local set = cjson.decode(ARGV[1])
local due, live = KEYS[1], KEYS[2]

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

local function open_books(gateway, first_key)
  local history = open_book(gateway.history, first_key, BUCKET)
  local learned = open_book(gateway.learned, first_key + #gateway.history, LEARNED)
  learned.bounds = set.learned
  return history, learned
end

-- The stations heard are told how long to live again with every bucket.
local function note_heard(heard, first_key, begun)
  for n, stations in ipairs(heard) do
    local key = KEYS[first_key + n - 1]
    local fresh = redis.call('ZADD', key, 'GT', unpack(stations))
    if fresh > 0 then redis.call('ZREMRANGEBYRANK', key, 0, -1 - set.heard) end
    if fresh > 0 or begun then redis.call('PEXPIRE', key, whole(set.history)) end
  end
end

local function count_events(key, cage, old, gateway, history, learned)
  local boots, open = boots_of(key)
  local seen, aside, tally, verdicts, holes = {}, {}, {}, {}, false
  for j, event in ipairs(gateway.events) do
    local boot, seq, kind = event[1], event[2], event[3]
    if not admit(key, old, boots, open, boot, set.boots) then
      verdicts[j], kind = '-', 'too_old'
    else
      if not seen[boot] then
        local known = redis.call('HMGET', key, 'seen:' .. boot, 'old:' .. boot)
        seen[boot], aside[boot] = ranges_of(known[1]), tonumber(known[2] or '0') > 0
      end
      local new = put(seen[boot], seq) or (aside[boot] and take_back(key, old, boot, seq))
      verdicts[j] = new and '1' or '0'
      if not new then
        kind = 'duplicate'
      elseif type(event[4]) == 'number' then
        add_to_bucket(history, event)
        if event[8] then add_to_learned(learned, event, set.coarser) end
      elseif event[4] ~= '' then
        quarantine(cage, event[4], event[5], event[6])
      end
    end
    tally[kind] = (tally[kind] or 0) + 1
  end
  for boot, ranges in pairs(seen) do
    if open[boot] then
      ranges = put_away(key, old, boot, ranges, set.ranges)
      redis.call('HSET', key, 'seen:' .. boot, text_of(ranges))
      holes = holes or #ranges > 1 or (ranges[1] and ranges[1][1] > 1)
        or tonumber(redis.call('HGET', key, 'old:' .. boot) or '0') > 0
    end
  end
  give_up(key, old, set.holes)
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
    record.taken, record.state = state[8], state[5]
  end
  redis.call('HSET', live, gateway, cjson.encode(record))
  return newest
end

-- Floods, 'since_ms last_ms messages' each, oldest first: what was told within the hold of another
-- is of one flood, whatever the order in which it is told. The newest are kept.
local function note_floods(gateway)
  local field, floods, parts = '!' .. gateway.name, {}, {}
  local known = redis.call('HGET', live, field) or ''
  for since, last, count in string.gmatch(known, '(%d+) (%d+) (%d+)') do
    floods[#floods + 1] = {tonumber(since), tonumber(last), tonumber(count)}
  end
  for _, told in ipairs(gateway.floods) do floods[#floods + 1] = {told[1], told[1], told[2]} end
  table.sort(floods, function(one, other) return one[1] < other[1] end)
  local kept = {}
  for _, flood in ipairs(floods) do
    local newest = kept[#kept]
    if newest and flood[1] - newest[2] <= set.flood_hold then
      newest[2], newest[3] = math.max(newest[2], flood[2]), newest[3] + flood[3]
    else
      kept[#kept + 1] = flood
    end
  end
  for j = math.max(1, #kept - set.floods + 1), #kept do
    parts[#parts + 1] = whole(kept[j][1]) .. ' ' .. whole(kept[j][2]) .. ' ' .. whole(kept[j][3])
  end
  redis.call('HSET', live, field, table.concat(parts, ';'))
end

local replies, at = {}, 3
for n = 2, #ARGV do
  local key, cage, old = KEYS[at], KEYS[at + 1], KEYS[at + 2]
  local gateway = cjson.decode(ARGV[n])
  local subject = 'w/' .. gateway.name
  local history, learned = open_books(gateway, at + 3)
  local verdicts, holes = count_events(key, cage, old, gateway, history, learned)
  close_book(history)
  close_book(learned)
  at = at + 3 + #gateway.history + #gateway.learned
  note_heard(gateway.heard, at, next(history.begun) ~= nil)
  at = at + #gateway.heard
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
  if #gateway.floods > 0 then
    note_floods(gateway)
    wake(due, subject, set.now)
  end
  local taken = {}
  for j, state in ipairs(gateway.states) do
    taken[j] = take_state(gateway.name, state) and '1' or '0'
    wake(due, subject, set.now)
  end
  if holes or closed or gateway.future_ms > 0 or #gateway.floods > 0 or #gateway.states > 0 then
    redis.call('HINCRBY', key, '#rev', 1)
  end
  replies[#replies + 1] = {verdicts, table.concat(taken)}
end
return replies
