"""From MQTT messages to Parquet to frames: the contract, the listener and the archive. Knows no physics."""
