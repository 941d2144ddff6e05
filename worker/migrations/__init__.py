"""How the tables came to be what they are: one revision a change, upward and downward, on SQLite and PostgreSQL."""
