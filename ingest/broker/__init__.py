"""Use an MQTT broker: the client, fast reading, checks, the embedded broker."""
