"""What is kept about one wearer."""
