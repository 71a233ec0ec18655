-- What became of a parcel. KEYS: parcel, dead letters.
-- ARGV: {id, now, how = 'delivered', 'later' or 'dead', due = ms, why, kept = dead letters}.
-- Does nothing for a parcel that somebody else has settled. Returns 1 if it was ours.
local set = cjson.decode(ARGV[1])
if redis.call('HGET', KEYS[1], 'id') ~= set.id then return 0 end
if set.how == 'later' then
  redis.call('HSET', KEYS[1], 'due', whole(set.due), 'owner', '', 'why', set.why)
  return 1
end
if set.how == 'dead' then
  local made, tries, notices = unpack(redis.call('HMGET', KEYS[1], 'made', 'tries', 'notices'))
  redis.call('LPUSH', KEYS[2], cjson.encode({
    id = set.id, made = made, tries = tries, notices = notices, why = set.why, at = whole(set.now)}))
  redis.call('LTRIM', KEYS[2], 0, set.kept - 1)
end
redis.call('HSET', KEYS[1], 'sent', whole(set.now))
redis.call('HDEL', KEYS[1], 'id', 'made', 'due', 'owner', 'tries', 'notices', 'why')
return 1
