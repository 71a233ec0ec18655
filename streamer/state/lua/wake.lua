-- Look at subjects at a time at the latest.
-- KEYS: due. ARGV: ms, subjects...
for n = 2, #ARGV do wake(KEYS[1], ARGV[n], tonumber(ARGV[1])) end
return 1
