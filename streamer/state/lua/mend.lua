-- Take out of a key, or put in other words, what is still as it was read.
-- KEYS: the key; and the sorted set of messages to publish where it is the hash of their contents.
-- ARGV: {gone = [[what, old]...], put = [[what, old, new]...], counts = '' or a field, now}, where
--       `what` is a field of a hash, '' of a list, a member of a sorted set; `old` its content or,
--       of a list, the entry.
-- A hash that has a revision gets a new one, so that nobody commits what was worked out before.
-- `counts` is the field of a sheet of what was learned that says how many cells and stations it has.
-- Returns how much was done: what has changed meanwhile stays.
local set = cjson.decode(ARGV[1])
local key, out = KEYS[1], KEYS[2]
local kind = redis.call('TYPE', key).ok
local done = 0

local function unchanged(field, old)
  return redis.call('HGET', key, field) == old
end

local function take_out(what, old)
  if kind == 'hash' then
    if not unchanged(what, old) then return 0 end
    if out then redis.call('ZREM', out, what) end
    return redis.call('HDEL', key, what)
  elseif kind == 'list' then
    return redis.call('LREM', key, 1, old)
  elseif kind == 'zset' then
    return redis.call('ZREM', key, what)
  end
  return 0
end

local function put_in(what, old, new)
  if kind == 'hash' then
    if not unchanged(what, old) then return 0 end
    redis.call('HSET', key, what, new)
    if out then redis.call('ZADD', out, whole(set.now), what) end
    return 1
  end
  local at = kind == 'list' and redis.call('LPOS', key, old)
  if not at then return 0 end
  redis.call('LSET', key, at, new)
  return 1
end

for _, one in ipairs(set.gone) do done = done + take_out(one[1], one[2]) end
local gone = done
for _, one in ipairs(set.put) do done = done + put_in(one[1], one[2], one[3]) end
if kind == 'hash' and done > 0 then
  if redis.call('HEXISTS', key, '#rev') == 1 then redis.call('HINCRBY', key, '#rev', 1) end
  local counts = set.counts ~= '' and redis.call('HGET', key, set.counts)
  if counts and gone > 0 then
    local cells, stations, rest = string.match(counts, '^(%d+) (%d+)(.*)$')
    redis.call('HSET', key, set.counts, cells .. ' ' .. whole(stations - gone) .. rest)
  end
end
return done
