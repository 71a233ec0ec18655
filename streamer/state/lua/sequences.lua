-- Which numbers of a gateway's boots were seen, and which are missing. Part of gateway.lua.

-- Sequence numbers seen of a boot, as sorted ranges 'first-last,first-last'.
local function ranges_of(text)
  local ranges = {}
  for first, last in string.gmatch(text or '', '(%d+)-(%d+)') do
    ranges[#ranges + 1] = {tonumber(first), tonumber(last)}
  end
  return ranges
end

local function text_of(ranges)
  local parts = {}
  for j, range in ipairs(ranges) do parts[j] = whole(range[1]) .. '-' .. whole(range[2]) end
  return table.concat(parts, ',')
end

-- Put `seq` in; false if it was there. Searched from the end, where new ones belong.
local function put(ranges, seq)
  local j = #ranges
  while j > 0 and ranges[j][1] > seq do j = j - 1 end
  local below, above = ranges[j], ranges[j + 1]
  if below and seq <= below[2] then return false end
  local joins_below = below and below[2] + 1 == seq
  local joins_above = above and above[1] - 1 == seq
  if joins_below and joins_above then
    below[2] = above[2]
    table.remove(ranges, j + 1)
  elseif joins_below then
    below[2] = seq
  elseif joins_above then
    above[1] = seq
  else
    table.insert(ranges, j + 1, {seq, seq})
  end
  return true
end

-- Old holes are a sorted set of 'boot first last', all of one score, so in the order of these words:
-- the ranges are read and written whole with each batch and must stay few, an old hole is found
-- when something falls into it.
local function padded(number)
  return string.format('%016.0f', number)
end

local function hole(boot, first, last)
  return boot .. ' ' .. padded(first) .. ' ' .. padded(last)
end

-- How many numbers lie in the old holes of a boot.
local function count_old(key, boot, more)
  local field = 'old:' .. boot
  if redis.call('HINCRBY', key, field, whole(more)) == 0 then redis.call('HDEL', key, field) end
end

-- When there are many ranges the oldest are taken as one, and the holes between them put away.
local function put_away(key, old, boot, ranges, most)
  local spare = #ranges - most
  if spare <= 0 then return ranges end
  local words, numbers = {}, 0
  for j = 1, spare do
    local first, last = ranges[j][2] + 1, ranges[j + 1][1] - 1
    words[#words + 1], words[#words + 2] = '0', hole(boot, first, last)
    numbers = numbers + last - first + 1
  end
  for from = 1, #words, AT_ONCE do
    redis.call('ZADD', old, unpack(words, from, math.min(#words, from + AT_ONCE - 1)))
  end
  count_old(key, boot, numbers)
  local kept = {{ranges[1][1], ranges[spare + 1][2]}}
  for j = spare + 2, #ranges do kept[#kept + 1] = ranges[j] end
  return kept
end

-- Whether `seq` lay in a hole that was put away; then it does so no more.
local function take_back(key, old, boot, seq)
  local found = redis.call('ZRANGE', old, '[' .. boot .. ' ' .. padded(seq) .. ' ~',
    '[' .. boot .. ' ', 'BYLEX', 'REV', 'LIMIT', 0, 1)[1]
  local first, last = string.match(found or '', ' (%d+) (%d+)$')
  first, last = tonumber(first), tonumber(last)
  if not first or seq > last then return false end
  redis.call('ZREM', old, found)
  if first < seq then redis.call('ZADD', old, '0', hole(boot, first, seq - 1)) end
  if seq < last then redis.call('ZADD', old, '0', hole(boot, seq + 1, last)) end
  count_old(key, boot, -1)
  return true
end

-- The oldest of all are given up, and counted, when even these are too many. Whoever invents numbers
-- can give up more than Redis adds up.
local MOST_GIVEN_UP = 2 ^ 53
local function give_up(key, old, most)
  local spare = redis.call('ZCARD', old) - most
  if spare <= 0 then return end
  local given_up = tonumber(redis.call('HGET', key, 'n:given_up') or '0')
  for _, name in ipairs(redis.call('ZRANGE', old, 0, spare - 1)) do
    local boot, first, last = string.match(name, '^(%S+) (%d+) (%d+)$')
    local numbers = tonumber(last) - tonumber(first) + 1
    count_old(key, boot, -numbers)
    given_up = math.min(MOST_GIVEN_UP, given_up + numbers)
  end
  redis.call('ZREMRANGEBYRANK', old, 0, spare - 1)
  redis.call('HSET', key, 'n:given_up', whole(given_up))
end

-- With its boot nothing of it is judged any more.
local function forget_old(old, boot)
  local names = redis.call('ZRANGE', old, '[' .. boot .. ' ', '(' .. boot .. '!', 'BYLEX')
  for from = 1, #names, AT_ONCE do
    redis.call('ZREM', old, unpack(names, from, math.min(#names, from + AT_ONCE - 1)))
  end
end

local function boots_of(key)
  local text = redis.call('HGET', key, 'boots') or ''
  local boots, open = {}, {}
  for boot in string.gmatch(text, '%S+') do boots[#boots + 1] = boot open[boot] = true end
  return boots, open
end

-- Admit a boot among the newest; false if it is older than all that are kept.
local function admit(key, old, boots, open, boot, most)
  if open[boot] then return true end
  local at = #boots + 1
  while at > 1 and bytes_less(boot, boots[at - 1]) do at = at - 1 end
  if at == 1 and #boots >= most then return false end
  table.insert(boots, at, boot)
  open[boot] = true
  if #boots > most then
    local gone = table.remove(boots, 1)
    open[gone] = nil
    redis.call('HDEL', key, 'seen:' .. gone, 'old:' .. gone)
    forget_old(old, gone)
  end
  redis.call('HSET', key, 'boots', table.concat(boots, ' '))
  return true
end
