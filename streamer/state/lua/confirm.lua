-- The broker has taken messages over.
-- KEYS: out, published. ARGV: now, then message, token, keep (1 or 0) for each.
-- A newer content put there meanwhile is offered again at once, so that it arrives last.
for n = 2, #ARGV, 3 do
  local message, token, keep = ARGV[n], ARGV[n + 1], ARGV[n + 2]
  local content = redis.call('HGET', KEYS[2], message)
  if not content or string.match(content, '^(%S+) ') == token then
    redis.call('ZREM', KEYS[1], message)
    if keep == '0' then redis.call('HDEL', KEYS[2], message) end
  else
    redis.call('ZADD', KEYS[1], ARGV[1], message)
  end
end
return 1
