"""Commands that read: the region file, the state, the contract. For people and, with --json, for
scripts."""
