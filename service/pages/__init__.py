"""Pages for people: the same figures as the doors give, drawn and in words; and the terminal of the shop floor."""
