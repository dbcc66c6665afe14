"""The live board for other systems: states and events over MQTT, alerts in CAP. Off by default."""
