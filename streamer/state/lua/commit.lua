-- Store what was worked out for a subject, if nothing has changed since it was read.
-- KEYS: the subject's hash, due, out, published.
-- ARGV: {subject, rev, ver, claimed, next, now, lease, fields = {name = value},
--        drop = [fields], drop_stations = [[station, rev]...], forget},
--       then message, content for each message.
-- Returns {0} if it has changed (the subject is woken), else {1, one number a message: 1 send it}.
local set = cjson.decode(ARGV[1])
local key, due, out, published = KEYS[1], KEYS[2], KEYS[3], KEYS[4]

local rev = tonumber(redis.call('HGET', key, '#rev') or '0')
local ver = tonumber(redis.call('HGET', key, '#ver') or '0')
if rev ~= set.rev or ver ~= set.ver then
  -- The alerts may have been told something outdated: have them told again.
  redis.call('HDEL', key, '#conditions')
  wake(due, set.subject, set.now)
  return {0}
end

if set.forget then
  redis.call('DEL', key)
else
  redis.call('HSET', key, '#ver', whole(ver + 1))
  for name, value in pairs(set.fields) do redis.call('HSET', key, name, value) end
  for _, name in ipairs(set.drop) do redis.call('HDEL', key, name) end
  for _, station in ipairs(set.drop_stations) do
    local known = redis.call('HGET', key, '=' .. station[1])
    if known and string.match(known, '^(%d+) ') == station[2] then
      redis.call('HDEL', key, '=' .. station[1])
    end
  end
end

-- Somebody may have woken the subject since it was claimed: then that stands.
local score = redis.call('ZSCORE', due, set.subject)
if not score or tonumber(score) == set.claimed then
  if set.next > 0 then
    redis.call('ZADD', due, whole(set.next), set.subject)
  else
    redis.call('ZREM', due, set.subject)
  end
end

local replies = {1}
for n = 2, #ARGV, 2 do
  replies[#replies + 1] = put_out(out, published, ARGV[n], ARGV[n + 1], set.now, set.lease)
end
return replies
