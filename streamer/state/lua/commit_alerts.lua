-- Store what became of the alerts of one owner, if nobody else has changed them.
-- KEYS: table, owners, out, published, log.
-- ARGV: {owner, rev, ids = 'id id', records = [[id, JSON]...], gone = [ids], now, lease,
--        entry = '' or the JSON of an entry for the log, kept = entries},
--       then message, content for each message.
-- Returns {0} if they have changed, else {1, one number a message: 1 send it}.
local set = cjson.decode(ARGV[1])
local known = redis.call('HGET', KEYS[2], set.owner)
local rev = known and tonumber(string.match(known, '^(%d+)')) or 0
if rev ~= set.rev then return {0} end
for _, record in ipairs(set.records) do redis.call('HSET', KEYS[1], record[1], record[2]) end
for _, id in ipairs(set.gone) do redis.call('HDEL', KEYS[1], id) end
if set.ids == '' then
  redis.call('HDEL', KEYS[2], set.owner)
else
  redis.call('HSET', KEYS[2], set.owner, whole(rev + 1) .. ' ' .. set.ids)
end
if set.entry ~= '' then write_log(KEYS[5], set.entry, set.kept) end
local replies = {1}
for n = 2, #ARGV, 2 do
  replies[#replies + 1] = put_out(KEYS[3], KEYS[4], ARGV[n], ARGV[n + 1], set.now, set.lease)
end
return replies
