-- Take messages that wait to be published; they come up again after the lease unless confirmed.
-- KEYS: out, published. ARGV: now, lease, limit. Returns message, content, message, content...
local now, lease = tonumber(ARGV[1]), tonumber(ARGV[2])
local taken = {}
for _, message in ipairs(redis.call('ZRANGEBYSCORE', KEYS[1], '-inf', ARGV[1], 'LIMIT', 0, ARGV[3])) do
  local content = redis.call('HGET', KEYS[2], message)
  if content then
    redis.call('ZADD', KEYS[1], whole(now + lease), message)
    taken[#taken + 1] = message
    taken[#taken + 1] = content
  else
    redis.call('ZREM', KEYS[1], message)
  end
end
return taken
