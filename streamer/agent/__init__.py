"""The agent of one gateway: lines in, a spool on disk, MQTT out."""
