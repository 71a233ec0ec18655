-- Store what was worked out for subjects, each if nothing has changed since it was read.
-- KEYS: due, out, published, then the hash of each subject.
-- ARGV: now, lease, then for each subject one JSON object
--       {subject, rev, ver, told, claimed, next, fields = {name = value}, drop = [fields],
--        drop_stations = [[station, rev]...], forget, messages = how many},
--       told = what '#conditions' must be ('': not there), null: anything,
--       followed by message, content for each of its messages.
-- Returns for each subject {0} if it has changed (then it is woken), else
-- {1, one number a message: 1 send it}.
local now, lease = tonumber(ARGV[1]), tonumber(ARGV[2])
local due, out, published = KEYS[1], KEYS[2], KEYS[3]

local function store(key, set)
  if set.forget then
    redis.call('DEL', key)
    return
  end
  redis.call('HSET', key, '#ver', whole(set.ver + 1))
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
local function come_up_again(set)
  local score = redis.call('ZSCORE', due, set.subject)
  if score and tonumber(score) ~= set.claimed then return end
  if set.next > 0 then
    redis.call('ZADD', due, whole(set.next), set.subject)
  else
    redis.call('ZREM', due, set.subject)
  end
end

local replies, at = {}, 3
for n = 4, #KEYS do
  local key, set = KEYS[n], cjson.decode(ARGV[at])
  local known = redis.call('HMGET', key, '#rev', '#ver', '#conditions')
  if tonumber(known[1] or '0') ~= set.rev or tonumber(known[2] or '0') ~= set.ver
    or (set.told ~= cjson.null and set.told ~= (known[3] or '')) then
    -- The alerts may have been told something outdated: have them told again, also that nothing is
    -- wrong any more, of which the digest is empty.
    if redis.call('EXISTS', key) == 1 then redis.call('HSET', key, '#conditions', 'outdated') end
    wake(due, set.subject, now)
    replies[#replies + 1] = {0}
  else
    store(key, set)
    come_up_again(set)
    local reply = {1}
    for m = 1, set.messages do
      local message, content = ARGV[at + 2 * m - 1], ARGV[at + 2 * m]
      reply[m + 1] = put_out(out, published, message, content, now, lease)
    end
    replies[#replies + 1] = reply
  end
  at = at + 1 + 2 * set.messages
end
return replies
