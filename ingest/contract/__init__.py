"""The wire contract: topics, messages, schemas, captures, and why a message is refused."""
