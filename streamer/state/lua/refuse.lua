-- Keep and count input that was not accepted.
-- KEYS: refused, refusals. ARGV: how many to keep, how many by reason are counted alone (JSON),
--       then reason, JSON for each that is kept.
for reason, count in pairs(cjson.decode(ARGV[2])) do
  redis.call('HINCRBY', KEYS[2], reason, count)
end
for n = 3, #ARGV, 2 do
  redis.call('HINCRBY', KEYS[2], ARGV[n], 1)
  redis.call('LPUSH', KEYS[1], ARGV[n + 1])
end
redis.call('LTRIM', KEYS[1], 0, tonumber(ARGV[1]) - 1)
return 1
