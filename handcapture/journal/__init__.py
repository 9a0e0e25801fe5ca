"""The journal: people, sessions and what was measured, tried and felt, kept in a folder of the user's choice."""
