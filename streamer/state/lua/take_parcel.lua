-- Take up a channel's parcel to send: the one that nobody has sent, or a new one of the notices that
-- wait. One at a time, so that they arrive in order; what comes meanwhile waits and goes together.
-- KEYS: waiting, parcel.
-- ARGV: {now, lease, owner, pause, most = notices, begin = '0' or '1' the owner begins anew: what it
--        held when it ended is free, soon = ms: one whose time is farther ahead than that has it from
--        a clock that was wrong, and does not hold up what comes behind it}.
-- The parcel is a hash: id, made, due, owner, tries, size, notices (size of them, one JSON a line),
-- sent = when the last one that was settled was made; and what settle_parcel.lua notes of those that
-- were given up.
-- Returns {} or {id, made, tries, notices}.
local set = cjson.decode(ARGV[1])
local waiting, parcel = KEYS[1], KEYS[2]

local function taken()
  local due = set.now + set.lease
  redis.call('HSET', parcel, 'due', whole(due), 'owner', set.owner)
  redis.call('HINCRBY', parcel, 'tries', 1)
  return redis.call('HMGET', parcel, 'id', 'made', 'tries', 'notices')
end

if redis.call('HEXISTS', parcel, 'id') == 1 then
  local due, owner = unpack(redis.call('HMGET', parcel, 'due', 'owner'))
  if tonumber(due) > set.now and not (set.begin == '1' and owner == set.owner) then return {} end
  return taken()
end

local first = redis.call('LINDEX', waiting, 0)
if not first then return {} end
local ahead = tonumber(string.match(first, '^(%d+) ')) - set.now
if ahead > 0 and ahead <= set.soon then return {} end
local sent = tonumber(redis.call('HGET', parcel, 'sent') or '0')
if sent + set.pause > set.now and sent <= set.now then return {} end
local notices = {}
for _, line in ipairs(redis.call('LRANGE', waiting, 0, set.most - 1)) do
  notices[#notices + 1] = string.match(line, '^%d+ (.*)$')
end
redis.call('LTRIM', waiting, #notices, -1)
local count = redis.call('HINCRBY', parcel, 'count', 1)
redis.call('HSET', parcel, 'id', whole(set.now) .. '-' .. count, 'made', whole(set.now), 'tries', 0,
  'size', #notices, 'notices', table.concat(notices, '\n'))
return taken()
