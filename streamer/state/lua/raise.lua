-- Raise a number in a hash if it still is what was read. KEYS: hash. ARGV: field, known, new.
-- Returns 1 if so.
if redis.call('HGET', KEYS[1], ARGV[1]) ~= ARGV[2] then return 0 end
redis.call('HSET', KEYS[1], ARGV[1], ARGV[3])
return 1
