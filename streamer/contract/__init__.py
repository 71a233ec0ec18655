"""The wire contract: what is said over MQTT, and nothing else. Imports nothing of ours."""
