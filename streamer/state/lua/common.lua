-- Put in front of every script.

local AT_ONCE = 2000  -- Lua hands over some thousand values at most

-- Redis compares strings in Lua by the locale of its process; the order here must be the same on
-- every server, so it is by bytes.
local function bytes_less(a, b)
  local n = math.min(#a, #b)
  for j = 1, n, 8 do  -- equal beginnings are long, and told apart from others by eights
    if string.sub(a, j, j + 7) ~= string.sub(b, j, j + 7) then
      for k = j, math.min(j + 7, n) do
        local x, y = string.byte(a, k), string.byte(b, k)
        if x ~= y then return x < y end
      end
    end
  end
  return #a < #b
end

-- A stamp is (milliseconds, tie), the tie being 'gateway boot seq'. True if the first is newer.
local function newer(ms, tie, other_ms, other_tie)
  if ms ~= other_ms then return ms > other_ms end
  return bytes_less(other_tie, tie)
end

-- Numbers of more than 14 digits lose their end in Lua's own conversion.
local function whole(number)
  return string.format('%.0f', number)
end

-- Look at `subject` at `ms` at the latest.
local function wake(due, subject, ms)
  redis.call('ZADD', due, 'LT', whole(ms), subject)
end

-- Hand a message to the senders. `content` is 'token retain' and, on the next line, the payload.
-- Returns 1 if the caller may send it at once; 0 if somebody is just sending an older one, who
-- will find on confirming that there is a newer.
local function put_out(out, published, message, content, now, lease)
  redis.call('HSET', published, message, content)
  local taken = redis.call('ZSCORE', out, message)
  if taken and tonumber(taken) > now then return 0 end
  redis.call('ZADD', out, whole(now + lease), message)
  return 1
end

-- Put an entry of the log first, the newest `kept` stay.
local function write_log(log, entry, kept)
  redis.call('LPUSH', log, entry)
  redis.call('LTRIM', log, 0, kept - 1)
end
