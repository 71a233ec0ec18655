-- Write down what somebody ordered, in one step with its entry in the log.
-- KEYS: hash, log, then due where the hash is a subject's, or out and published where there are messages,
--       then a second hash if there is one.
-- ARGV: {expect = [[field, value or '']...], fields = [[name, value]...], drop = [names],
--        drop_prefix = '' or the beginning of further names to drop,
--        beside = [[name, value]...] of the second hash, which drops the same names,
--        entries = [JSON...], kept = entries, subject = '' or 'g/GROUP', now},
--       then message, content for each message.
-- Returns 0, and does nothing, if a field is not what was expected; else 1.
local set = cjson.decode(ARGV[1])
local hash, log, second = KEYS[1], KEYS[2], KEYS[5]

for _, pair in ipairs(set.expect) do
  if (redis.call('HGET', hash, pair[1]) or '') ~= pair[2] then return 0 end
end
for _, pair in ipairs(set.fields) do redis.call('HSET', hash, pair[1], pair[2]) end
for _, name in ipairs(set.drop) do
  redis.call('HDEL', hash, name)
  if second then redis.call('HDEL', second, name) end
end
for _, pair in ipairs(set.beside) do redis.call('HSET', second, pair[1], pair[2]) end
if set.drop_prefix ~= '' then
  for _, name in ipairs(redis.call('HKEYS', hash)) do
    if string.sub(name, 1, #set.drop_prefix) == set.drop_prefix then redis.call('HDEL', hash, name) end
  end
end
for _, entry in ipairs(set.entries) do write_log(log, entry, set.kept) end
if set.subject ~= '' then
  redis.call('HINCRBY', hash, '#rev', 1)
  wake(KEYS[3], set.subject, set.now - 3600000)
end
for n = 2, #ARGV, 2 do put_out(KEYS[3], KEYS[4], ARGV[n], ARGV[n + 1], set.now, 0) end
return 1
