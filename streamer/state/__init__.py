"""What is known of a region, in Redis: scripts that commit, and their typed face.

The split of work: scripts merge events into registers and commit results if nothing has changed
meanwhile; what follows from the registers (fan-out, standings, alerts) is worked out in Python, in
`streamer.domain`, from a snapshot. So each rule lives in one language.
"""
