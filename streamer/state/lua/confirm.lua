-- The broker has taken messages over.
-- KEYS: out, published, gone. ARGV: now, how long what is gone is remembered, then message, token,
-- keep (1 or 0) for each.
-- A newer content put there meanwhile is offered again at once, so that it arrives last. What was
-- taken back is remembered for a while: a broker that crashes may come back with it. But not of a
-- station that is to be forgotten (streamer/forget): its name would stand there.
local now = tonumber(ARGV[1])
for n = 3, #ARGV, 3 do
  local message, token, keep = ARGV[n], ARGV[n + 1], ARGV[n + 2]
  local content = redis.call('HGET', KEYS[2], message)
  if not content or string.match(content, '^(%S+) ') == token then
    redis.call('ZREM', KEYS[1], message)
    if keep == '1' then
      redis.call('ZREM', KEYS[3], message)
    else
      redis.call('HDEL', KEYS[2], message)
      if token ~= 'forgotten' and not string.find(message, '#', 1, true) then
        redis.call('ZADD', KEYS[3], whole(now), message)
      end
    end
  else
    redis.call('ZADD', KEYS[1], ARGV[1], message)
  end
end
redis.call('ZREMRANGEBYSCORE', KEYS[3], '-inf', whole(now - tonumber(ARGV[2])))
return 1
