-- Store what a round of the desk has decided, if nobody else has changed the same cases.
-- KEYS: cases, table, found, out, published, due, log, maintenance, then a list of waiting notices for
--       each channel.
-- ARGV: {expect = [[case id, JSON or '']...], cases = [[id, JSON]...], gone = [ids],
--        standing = [[id, JSON of the alert]...], fallen = [ids],
--        done = [[owner, JSON]...] reports that say nothing any more,
--        works = [[id, JSON as it was, JSON]...] planned work whose time is over,
--        desk, claimed = score of the claim or -1, next = ms or 0, now, lease,
--        entry = '' or the JSON of an entry for the log, kept = entries, messages = how many},
--       then message, content for each message, then channel's number from 1, ms, JSON for each notice.
-- Returns {0} if they have changed (then the desk is woken), else {1, one number a message: 1 send it}.
local set = cjson.decode(ARGV[1])
local cases, standing, found = KEYS[1], KEYS[2], KEYS[3]
for _, pair in ipairs(set.expect) do
  if (redis.call('HGET', cases, pair[1]) or '') ~= pair[2] then
    wake(KEYS[6], set.desk, set.now)
    return {0}
  end
end
for _, work in ipairs(set.works) do
  if redis.call('HGET', KEYS[8], work[1]) ~= work[2] then
    wake(KEYS[6], set.desk, set.now)
    return {0}
  end
end
for _, work in ipairs(set.works) do redis.call('HSET', KEYS[8], work[1], work[3]) end
for _, pair in ipairs(set.cases) do redis.call('HSET', cases, pair[1], pair[2]) end
for _, id in ipairs(set.gone) do redis.call('HDEL', cases, id) end
for _, pair in ipairs(set.standing) do redis.call('HSET', standing, pair[1], pair[2]) end
for _, id in ipairs(set.fallen) do redis.call('HDEL', standing, id) end
for _, pair in ipairs(set.done) do
  if redis.call('HGET', found, pair[1]) == pair[2] then redis.call('HDEL', found, pair[1]) end
end
-- Somebody may have woken the desk since it was claimed: then that stands.
local score = redis.call('ZSCORE', KEYS[6], set.desk)
if set.claimed < 0 then
  wake(KEYS[6], set.desk, set.now)
elseif not score or tonumber(score) == set.claimed then
  redis.call('ZADD', KEYS[6], whole(set.next), set.desk)
end
if set.entry ~= '' then write_log(KEYS[7], set.entry, set.kept) end
local replies, at = {1}, 2
for _ = 1, set.messages do
  replies[#replies + 1] = put_out(KEYS[4], KEYS[5], ARGV[at], ARGV[at + 1], set.now, set.lease)
  at = at + 2
end
for n = at, #ARGV, 3 do
  redis.call('RPUSH', KEYS[8 + tonumber(ARGV[n])], ARGV[n + 1] .. ' ' .. ARGV[n + 2])
end
return replies
