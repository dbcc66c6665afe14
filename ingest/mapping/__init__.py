"""Other people's JSON becomes messages of the contract, by a file that says where each value is."""
