-- Take over what stations say of themselves and what repeaters say of carrying.
-- KEYS: due, then for each group its hash and its set of forwardings.
-- ARGV: settings {now, refresh, sent_kept, marks_kept}, then for each group one JSON object
--       {name, stale, tells = [[station, summary]...],
--        routes = [[ms, tie, repeater, action, latency, over, from]...]}.
local set = cjson.decode(ARGV[1])
local due = KEYS[1]

local function take_tell(key, told, stale)
  local field = '=' .. told[1]
  local rev, placed, signature = string.match(told[2], '^(%d+) (%d+) (%S+) ')
  local known = redis.call('HGET', key, field)
  local urgent = true
  if known then
    local known_rev, known_placed, known_signature = string.match(known, '^(%d+) (%d+) (%S+) ')
    if tonumber(known_rev) >= tonumber(rev) then return false, false end
    urgent = signature ~= known_signature or tonumber(placed) - tonumber(known_placed) >= stale
  end
  redis.call('HSET', key, field, told[2])
  return true, urgent
end

-- 'ms action latency tie;ms action latency tie;...', newest first: what a repeater last said of
-- itself, and before that, so that a carrying said again does not look as if it had begun anew.
local function take_route(key, route)
  local field = '@' .. route[3]
  local mark = table.concat({whole(route[1]), route[4], route[5], route[2]}, ' ')
  local marks, at = {}, nil
  for known in string.gmatch(redis.call('HGET', key, field) or '', '[^;]+') do
    local ms, tie = string.match(known, '^(%d+) %S+ %S+ (.*)$')
    if tie == route[2] and tonumber(ms) == route[1] then return false end
    if not at and newer(route[1], route[2], tonumber(ms), tie) then
      at = #marks + 1
      marks[at] = mark
    end
    marks[#marks + 1] = known
  end
  if not at then marks[#marks + 1] = mark at = #marks end
  if at > set.marks_kept then return false end
  marks[set.marks_kept + 1] = nil
  redis.call('HSET', key, field, table.concat(marks, ';'))
  return true
end

local function take_sent(key, route)
  local member = table.concat({route[6], route[3], route[7]}, ' ')
  local score = redis.call('ZSCORE', key, member)
  if score and tonumber(score) <= route[1] then return false end
  redis.call('ZADD', key, whole(route[1]), member)
  redis.call('ZREMRANGEBYRANK', key, 0, -1 - set.sent_kept)
  return true
end

for n = 2, #KEYS, 2 do
  local key, sent = KEYS[n], KEYS[n + 1]
  local group = cjson.decode(ARGV[1 + n / 2])
  local changed, urgent, forwarded = false, false, false
  for _, told in ipairs(group.tells) do
    local new, now = take_tell(key, told, group.stale)
    changed, urgent = changed or new, urgent or now
  end
  for _, route in ipairs(group.routes) do
    if route[4] ~= 'sent' then
      if take_route(key, route) then changed, urgent = true, true end
    elseif take_sent(sent, route) then
      forwarded = true
    end
  end
  if changed or forwarded then redis.call('HINCRBY', key, '#rev', 1) end
  if urgent then
    -- Ahead of those that only wait for their roster to be renewed, however long they have waited.
    wake(due, 'g/' .. group.name, set.now - 3600000)
  elseif changed or forwarded then
    wake(due, 'g/' .. group.name, set.now + (forwarded and math.min(1000, set.refresh) or set.refresh))
  end
end
return 1
