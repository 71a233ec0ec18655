-- Merge keyings into station registers and say what their groups must be told.
-- KEYS: due, tell, station hashes..., and the log where settings have an entry for it.
-- ARGV: settings {now, path, linger, expire, forget, told = [[station, rev]...],
--                 grain = seconds or 0 for none, presence = grains kept,
--                 positions = ms that a position is kept, 0: as long as the station,
--                 groups = ' GROUP GROUP ', those of the region; words = what checks out of them,
--                 words_of = the same by group, where it is something else;
--                 check_ins = times kept of each check-in and check-out},
--       then one JSON list of keyings for each station, its name first:
--       [name, [ms, tie, repeater, over, info, position, group, out_group, out_word, end_ms]...]
--       info = [to, suffix, duration_ms, rssi, ber, text] or null,
--       position = [ms, lat, lon, speed, course] or null; group, out_group, out_word = '' if none.
-- Returns for each station {rev, group, summary, group, summary...}.
-- Each register is a maximum over the events merged, so order and repetition do not matter.
local set = cjson.decode(ARGV[1])
local due, tell = KEYS[1], KEYS[2]
local last = #KEYS
if set.entry then
  write_log(KEYS[last], set.entry, set.kept)
  last = last - 1
end

for _, told in ipairs(set.told) do
  local rev = redis.call('ZSCORE', tell, told[1])
  if rev and tonumber(rev) <= told[2] then redis.call('ZREM', tell, told[1]) end
end

local function gateway_of(repeater)
  return string.match(repeater, '^[^/]*')
end

-- Newest first and, at equal times, in the order of the place register: so the first entry of an
-- over is where that over put the station.
local function before(a, b)
  if a[1] ~= b[1] then return a[1] > b[1] end
  if a[2] ~= b[2] then
    local x, y = gateway_of(a[2]), gateway_of(b[2])
    if x ~= y then return bytes_less(y, x) end
    return bytes_less(b[2], a[2])
  end
  return bytes_less(a[3], b[3])
end

local function differs(path, j, other)
  return path[j] ~= nil and path[other] ~= nil and path[j][2] ~= path[other][2]
end

local function said(value)
  if value ~= cjson.null then return value end
end

local function greater(a, b)
  if a and b then return math.max(a, b) end
  return a or b
end

-- What several events said of one over: the duration alone or, as one text, which takes less time
-- to read and write than numbers, 'duration signal errors' with '-' for what nobody said. Each is
-- the greatest said, so their order does not matter.
local function joined(duration, rssi, ber)
  if not rssi and not ber then return duration end
  return table.concat({whole(duration), rssi or '-', ber or '-'}, ' ')
end

local function told_too(known, duration, rssi, ber)
  local long, strong, wrong = string.match(known, '^(%S+) ?(%S*) ?(%S*)$')
  long = tonumber(long)
  return joined(math.max(long, duration), greater(tonumber(strong), rssi),
    greater(tonumber(wrong), ber)), duration > long
end

-- A record begins with its path, an entry a line. Mostly only the first line changes: the others
-- are kept as they are, since making all of them anew would take as long as all else here.
local function lines_of(stored)
  local last = string.sub(stored, 1, 7) == '{"k":[\n' and string.find(stored, '\n],', 8, true)
  return last and string.sub(stored, 8, last - 1)
end

local function all_lines(path)
  local lines = {}
  for j, entry in ipairs(path) do lines[j] = cjson.encode(entry) end
  return table.concat(lines, ',\n')
end

local function change_line(record, at, entry)
  local first = record.lines and at == 1 and string.find(record.lines, '\n', 1, true)
  record.lines = first and cjson.encode(entry) .. ',' .. string.sub(record.lines, first)
end

local function insert_line(record, at, entry)
  local room = set.path - #record.k  -- below zero only where more were kept once
  local lines = at == 1 and room >= 0 and record.lines
  if lines and room == 0 then lines = string.match(lines, '^(.*),\n') end
  record.lines = lines and cjson.encode(entry) .. ',\n' .. lines
end

-- Returns whether the path changed, and whether two neighbours on different repeaters came, went
-- or changed: only then can it have become, or ceased to be, evidence of two places.
local function add_to_path(record, ms, repeater, over, duration, rssi, ber)
  local path = record.k
  local entry = {ms, repeater, over, joined(duration, rssi, ber)}
  local at = #path + 1
  for j, known in ipairs(path) do
    if known[1] == ms and known[2] == repeater and known[3] == over then
      local told, longer = told_too(known[4], duration, rssi, ber)
      if told == known[4] then return false, false end
      known[4] = told
      change_line(record, j, known)
      return true, longer and (differs(path, j, j - 1) or differs(path, j, j + 1))
    end
    if before(entry, known) then at = j break end
  end
  if at > set.path then return false, false end
  insert_line(record, at, entry)
  table.insert(path, at, entry)
  local crossing = differs(path, at, at - 1) or differs(path, at, at + 1)
    or differs(path, set.path, set.path + 1)
  for j = #path, set.path + 1, -1 do path[j] = nil end
  return true, crossing
end

local function raise(registers, name, ms, tie, repeater, over)
  local known = registers[name]
  if known and not newer(ms, tie, known[1], known[2]) then return false end
  registers[name] = {ms, tie, repeater, over, known and known[5] or nil}
  return true
end

local function add_time(list, ms)
  local at = #list + 1
  for j, known in ipairs(list) do
    if known == ms then return false end
    if ms > known then at = j break end
  end
  if at > set.check_ins then return false end
  table.insert(list, at, ms)
  list[set.check_ins + 1] = nil
  return true
end

-- The same, and keep the newest times beside it.
local function raise_listed(registers, name, ms, tie, repeater, over)
  local known = registers[name]
  local list = known and (known[5] or {known[1]}) or {}
  local listed = add_time(list, ms)
  local raised = raise(registers, name, ms, tie, repeater, over)
  registers[name][5] = list
  return listed or raised
end

local function merge(record, e)
  local ms, tie, repeater, over, info = e[1], e[2], e[3], e[4], e[5]
  -- Checked out by hand: nobody was heard, so nothing else is known by it.
  if repeater == '' then
    return record.p ~= nil and raise_listed(record.o, e[8], e[10], tie, repeater, over), false
  end
  local how = said(info) or {}
  local changed, crossing = add_to_path(
    record, ms, repeater, over, math.max(0, e[10] - ms), said(how[4]), said(how[5]))
  if not record.p or newer(ms, tie, record.p[1], record.p[2]) then
    record.p = {ms, tie, repeater, over, info}
    changed = true
  end
  local where = e[6]
  if where ~= cjson.null and (not record.q or newer(where[1], tie, record.q[1], record.q[2])) then
    record.q = {where[1], tie, where}
    changed = true
  end
  if e[7] ~= '' then changed = raise_listed(record.i, e[7], ms, tie, repeater, over) or changed end
  if e[8] ~= '' then changed = raise_listed(record.o, e[8], e[10], tie, repeater, over) or changed end
  if e[9] ~= '' then changed = raise_listed(record.x, e[9], e[10], tie, repeater, over) or changed end
  return changed, crossing
end

-- The stays of the path, newest first: {repeater, arrived, last heard, left}; the newest has not
-- been left. A silence after which every group counts a station as gone ends a stay too.
-- An over heard on several repeaters is one over, not a move: it counts where it put the station.
local function stays_of(record)
  local newest = record.p[1]
  local stays, counted = {{record.p[3], newest, newest}}, {[record.p[4]] = true}
  for _, entry in ipairs(record.k) do
    if not counted[entry[3]] then
      counted[entry[3]] = true
      local stay = stays[#stays]
      if stay[1] == entry[2] and stay[2] - entry[1] < set.expire then
        stay[2] = entry[1]
      elseif stay[2] < newest - set.linger then
        break
      else
        stays[#stays + 1] = {entry[2], entry[1], entry[1], stay[2]}
      end
    end
  end
  return stays
end

local function drop_old(registers, limit)
  for name, register in pairs(registers) do
    local list = register[5] or {}
    while list[1] and list[#list] < limit do list[#list] = nil end
    if register[1] < limit then registers[name] = nil end
  end
end

-- When a check-in to a group was ended: by the oldest check-out that is no older, of those that the
-- group knows (`domain.membership.check_out_of`); nil if by none. A later one changes nothing, so
-- the order does not matter. Of a group that the region does not have: by itself.
local function ended_ms(record, group, came)
  if not string.find(set.groups, ' ' .. group .. ' ', 1, true) then return came end
  local words, ended = set.words_of[group] or set.words, nil
  local function by(register)
    if not register then return end
    -- An older program leaves the list away, or behind.
    for _, ms in ipairs({register[1], unpack(register[5] or {})}) do
      if ms >= came then ended = math.min(ended or ms, ms) end
    end
  end
  by(record.o[group])
  for _, word in ipairs(words) do by(record.x[word]) end
  return ended
end

-- A check-in counts, however old, until it is ended or the station is silent, and its group must be
-- told of the station until then and of its end. So it goes as long after its end as other registers.
local function drop_registers(record)
  local limit = record.p[1] - set.forget
  for group, register in pairs(record.i) do
    local ended = register[1] < limit and ended_ms(record, group, register[1])
    if ended and ended < limit then record.i[group] = nil end
  end
  drop_old(record.o, limit)
  drop_old(record.x, limit)
end

-- A record as JSON, in parts: what groups are told of it is made of the same, and numbers take long
-- to become text.
local function parts_of(record)
  local own = cjson.encode({p = record.p, q = record.q, x = record.x})
  local parts = {own = string.sub(own, 2, -2), i = {}, o = {}}
  for group, register in pairs(record.i) do parts.i[group] = cjson.encode(register) end
  for group, register in pairs(record.o) do parts.o[group] = cjson.encode(register) end
  return parts
end

local function object_of(texts)
  local members = {}
  for name, text in pairs(texts) do members[#members + 1] = cjson.encode(name) .. ':' .. text end
  return '{' .. table.concat(members, ',') .. '}'
end

local function record_of(record, parts)
  return table.concat({
    '{"k":[\n', record.lines or all_lines(record.k), '\n],"rev":', whole(record.rev), ',',
    parts.own, ',"i":', object_of(parts.i), ',"o":', object_of(parts.o), '}',
  })
end

-- 'rev place_ms signature JSON': the group script reads the first three.
local function summary_of(record, group, parts, stays, latest_out)
  local came, left = record.i[group], record.o[group]
  local signature = table.concat({
    record.p[3], came and (came[1] > math.max(latest_out, left and left[1] or 0)) and 1 or 0,
    whole(latest_out), left and whole(left[1]) or 0, #stays, whole(stays[1] and stays[1][2] or 0),
  }, '|')
  local content = table.concat({
    '{', parts.own, ',"s":', parts.stays, came and ',"i":' .. parts.i[group] or '',
    left and ',"o":' .. parts.o[group] or '', '}',
  })
  return table.concat({whole(record.rev), whole(record.p[1]), signature, content}, ' ')
end

-- When a station began an over, in grains of time: how many, the newest in seconds since 1970, then
-- from each to the next older one. A set of the newest, so order and repetition do not matter. It
-- stands beside the record, since groups are not told of it.
local GRAIN_MS = set.grain * 1000

-- The steps down from `newest` with one to an older grain among them; nil if it is there.
local function with_older(newest, steps, grain)
  local parts, at, placed = {}, newest, false
  for step in string.gmatch(steps, '%d+') do
    local older = at - step
    if older == grain then return nil end
    if not placed and older < grain then
      parts[#parts + 1], step, placed = ' ' .. at - grain, grain - older, true
    end
    parts[#parts + 1], at = ' ' .. step, older
  end
  if not placed then parts[#parts + 1] = ' ' .. at - grain end
  return table.concat(parts)
end

local function with_grain(count, newest, steps, grain)
  if not newest then return 1, grain, '' end
  local more
  if grain > newest then
    more, newest = ' ' .. grain - newest .. steps, grain
  elseif grain < newest then
    more = with_older(newest, steps, grain)
  end
  if not more then return count, newest, steps end
  if count < set.presence then return count + 1, newest, more end
  return count, newest, string.sub(more, 1, string.find(more, ' %d+$', -12) - 1)
end

-- The text with the grains of these events, nil if they were all there.
local function presence_of(known, events)
  local count, newest, steps, tail
  if known then
    count, newest, tail = string.match(known, '^(%d+) (%d+)()')
    count, newest, steps = tonumber(count), tonumber(newest), string.sub(known, tail)
  end
  local from, upto = newest and newest * 1000 or 0, newest and newest * 1000 + GRAIN_MS or 0
  for _, event in ipairs(events) do
    local ms = event[1]
    -- Mostly it is the grain looked at before. Who was checked out by hand ('') was not heard.
    if (ms >= upto or ms < from) and event[3] ~= '' then
      from = ms - ms % GRAIN_MS
      upto = from + GRAIN_MS
      count, newest, steps = with_grain(count, newest, steps, from / 1000)
    end
  end
  local text = newest and count .. ' ' .. newest .. steps
  if text and text ~= known then return text end
end

-- A position goes sooner than the rest of a record; true if one has gone. The station is woken for
-- when its position must go, which tells its groups.
local function drop_position(record, name)
  if set.positions == 0 or not record.q then return false end
  if record.q[1] < set.now - set.positions then
    record.q = nil
    return true
  end
  wake(due, 's/' .. name, record.q[1] + set.positions + 1)
  return false
end

local function stored_of(key)
  if GRAIN_MS == 0 then return redis.call('HGET', key, 'record') end
  local found = redis.call('HMGET', key, 'record', 'heard')
  return found[1], found[2]
end

local replies = {}
for n = 3, last do
  local key, events = KEYS[n], cjson.decode(ARGV[n - 1])
  local name = table.remove(events, 1)
  local stored, heard = stored_of(key)
  local record = stored and cjson.decode(stored) or {rev = 0, k = {}, i = {}, o = {}, x = {}}
  record.lines = stored and lines_of(stored)
  local changed, crossing, parts = false, false, nil
  for _, event in ipairs(events) do
    local new, crossed = merge(record, event)
    changed, crossing = changed or new, crossing or crossed
  end
  changed = drop_position(record, name) or changed
  heard = GRAIN_MS > 0 and presence_of(heard, events)
  -- A grain alone is new where an event came so late that nothing else is known by it. Groups are
  -- told all the same: who judges its silences must read it again.
  if changed or heard then
    drop_registers(record)
    -- Never below the clock, so that a record forgotten and begun again outranks its old self.
    record.rev = math.max(record.rev + 1, set.now)
    parts = parts_of(record)
    local fields = {'record', record_of(record, parts), '#rev', whole(record.rev)}
    if heard then fields[5], fields[6] = 'heard', heard end
    redis.call('HSET', key, unpack(fields))
    redis.call('ZADD', tell, whole(record.rev), name)
    redis.call('ZADD', due, 'NX', whole(record.p[1] + set.forget), 's/' .. name)
  end
  local reply = {whole(record.rev)}
  if record.p then
    local stays = stays_of(record)
    if crossing then wake(due, 's/' .. name, set.now) end
    local latest_out = 0
    for _, register in pairs(record.x) do latest_out = math.max(latest_out, register[1]) end
    local groups = {}
    for group in pairs(record.i) do groups[group] = true end
    for group in pairs(record.o) do groups[group] = true end
    if next(groups) then
      parts = parts or parts_of(record)
      parts.stays = cjson.encode(stays)
    end
    for group in pairs(groups) do
      reply[#reply + 1] = group
      reply[#reply + 1] = summary_of(record, group, parts, stays, latest_out)
    end
  end
  replies[#replies + 1] = reply
end
return replies
