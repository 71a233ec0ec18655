-- Sums of what repeaters heard: charts of a day, and what is learned over months. Part of gateway.lua.

-- A sheet is a hash of lines, a line some whole numbers that are added to. A book is sheets as the
-- settings have them, [ms to keep, field, field...] each, and their lines by place: number of the
-- sheet * SHEET + position in it. They are read at once, and what is not touched stays text: making
-- numbers of text and text of numbers is what takes long.
local SHEET = 100000
local function open_book(sheets, first_key, width)
  local book = {
    sheets = sheets, first_key = first_key, width = width, begun = {},
    pattern = '^' .. string.rep('(%S+) ', width - 1) .. '(%S+)$',
  }
  for s, sheet in ipairs(sheets) do
    if sheet[1] > 0 then  -- else it is too long ago, and has no lines
      for from = 2, #sheet, AT_ONCE do
        local upto = math.min(#sheet, from + AT_ONCE - 1)
        local lines = redis.call('HMGET', KEYS[first_key + s - 1], unpack(sheet, from, upto))
        for j, line in ipairs(lines) do book[s * SHEET + from - 1 + j] = line end
      end
    end
  end
  return book
end

-- What is learned is bounded; the first line of a sheet counts how many cells and stations it has.
-- It is longer than Redis' hash-max-listpack-value: short lines alone would be kept in one piece of
-- memory, in which each line is searched for from the start.
local PADDING = string.rep('-', 64)
local function has_room(book, s, field)
  local counts, kind = book[s * SHEET + 2], string.sub(field, 1, 1) == '@' and 2 or 1
  if type(counts) ~= 'table' then
    counts = {string.match(counts or '0 0', '^(%d+) (%d+)')}
    counts[3] = PADDING
    book[s * SHEET + 2] = counts
  end
  if tonumber(counts[kind]) >= book.bounds[kind] then return false end
  counts[kind] = counts[kind] + 1
  return true
end

-- The numbers of a line, to be added to; nil if it is too long ago or there is no room for it.
local function line_at(book, place)
  local line = book[place]
  if line == nil or type(line) == 'table' then return line end
  if line then
    line = {string.match(line, book.pattern)}
  else
    local s = math.floor(place / SHEET)
    if not book.bounds or has_room(book, s, book.sheets[s][place % SHEET]) then
      line, book.begun[s] = {}, true
      for j = 1, book.width do line[j] = 0 end
    else
      line = nil
    end
  end
  book[place] = line
  return line
end

-- A sheet is told how long to live when a line is begun in it.
local function close_book(book)
  for s, sheet in ipairs(book.sheets) do
    local key, words = KEYS[book.first_key + s - 1], {}
    for j = 2, #sheet do
      local line = book[s * SHEET + j]
      if type(line) == 'table' then
        words[#words + 1] = sheet[j]
        words[#words + 1] = table.concat(line, ' ')
      end
    end
    for from = 1, #words, AT_ONCE do
      redis.call('HSET', key, unpack(words, from, math.min(#words, from + AT_ONCE - 1)))
    end
    if book.begun[s] then redis.call('PEXPIRE', key, whole(sheet[1])) end
  end
end

-- Of a bucket: starts, ends, ms on the air; then of the signal how many said it, their sum, the
-- least and the greatest; then the same of the errors.
local BUCKET = 11
local function add_reading(sums, at, value)
  if value == cjson.null then return end
  local none = tonumber(sums[at]) == 0
  if none or value < tonumber(sums[at + 2]) then sums[at + 2] = value end
  if none or value > tonumber(sums[at + 3]) then sums[at + 3] = value end
  sums[at], sums[at + 1] = sums[at] + 1, sums[at + 1] + value
end

local function add_to_bucket(book, event)
  local sums = line_at(book, event[4])
  if not sums then return end
  if event[5] < 0 then
    sums[1] = sums[1] + 1
  else
    sums[2], sums[3] = sums[2] + 1, sums[3] + event[5]
  end
  add_reading(sums, 4, event[6])
  add_reading(sums, 8, event[7])
end

-- Of what is learned: ends; then of the signal how many said it, their sum and that of their
-- squares; then the same of the errors.
local LEARNED = 7
local function add_square(sums, at, value)
  local squares = sums[at + 2] + value * value
  sums[at], sums[at + 1] = sums[at] + 1, sums[at + 1] + value
  sums[at + 2] = squares < 1e14 and squares or whole(squares)
end

local function add_to_learned(book, event, coarser)
  local signal, wrong = event[6], event[7]
  signal = signal ~= cjson.null and math.floor(signal / coarser[1] + 0.5)
  wrong = wrong ~= cjson.null and math.floor(wrong / coarser[2] + 0.5)
  for j = 8, #event do
    local sums = line_at(book, event[j])
    if sums then
      sums[1] = sums[1] + 1
      if signal then add_square(sums, 2, signal) end
      if wrong then add_square(sums, 5, wrong) end
    end
  end
end
