-- What became of a parcel. KEYS: parcel, dead letters, senders, with 'shared' the waiting lists of
-- the channel's addresses.
-- ARGV: {id, now, how = 'delivered', 'shared', 'later' or 'dead', due = ms, why,
--        kept = dead letters, together = ms within which parcels given up count together,
--        part = whose parcel it is, fields = of senders, one for each address}.
-- Does nothing for a parcel that somebody else has settled. Returns 1 if it was ours.
local set = cjson.decode(ARGV[1])
local parcel = KEYS[1]
if redis.call('HGET', parcel, 'id') ~= set.id then return 0 end
if set.how == 'later' then
  redis.call('HSET', parcel, 'due', whole(set.due), 'owner', '', 'why', set.why)
  return 1
end
if set.how == 'shared' then
  local notices = redis.call('HGET', parcel, 'notices')
  for i, field in ipairs(set.fields) do
    redis.call('HSET', KEYS[3], field, whole(set.now))
    for notice in string.gmatch(notices, '[^\n]+') do
      redis.call('RPUSH', KEYS[3 + i], whole(set.now) .. ' ' .. notice)
    end
  end
end
if set.how == 'dead' then
  local made, tries, notices = unpack(redis.call('HMGET', parcel, 'made', 'tries', 'notices'))
  redis.call('LPUSH', KEYS[2], cjson.encode({
    id = set.id, made = made, tries = tries, notices = notices, why = set.why, part = set.part,
    at = whole(set.now)}))
  redis.call('LTRIM', KEYS[2], 0, set.kept - 1)
  local last = tonumber(redis.call('HGET', parcel, 'gave_last') or '0')
  if last + set.together <= set.now then
    redis.call('HSET', parcel, 'gave_up', 0, 'gave_first', whole(set.now))
  end
  redis.call('HINCRBY', parcel, 'gave_up', 1)
  redis.call('HSET', parcel, 'gave_last', whole(set.now), 'gave_why', set.why)
end
-- The pause counts from when it was made: what has waited behind one that was long not taken does
-- not wait for that as well.
redis.call('HSET', parcel, 'sent', redis.call('HGET', parcel, 'made'))
redis.call('HDEL', parcel, 'id', 'made', 'due', 'owner', 'tries', 'size', 'notices', 'why')
return 1
