"""One MQTT connection, driven by one thread. Used by the agent and by the workers."""
