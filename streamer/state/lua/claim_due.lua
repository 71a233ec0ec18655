-- Take subjects whose time has come; they come up again after the lease unless committed.
-- KEYS: due. ARGV: now, lease, limit. Returns the subjects.
local now, lease = tonumber(ARGV[1]), tonumber(ARGV[2])
local subjects = redis.call('ZRANGEBYSCORE', KEYS[1], '-inf', ARGV[1], 'LIMIT', 0, ARGV[3])
for _, subject in ipairs(subjects) do
  redis.call('ZADD', KEYS[1], whole(now + lease), subject)
end
return subjects
