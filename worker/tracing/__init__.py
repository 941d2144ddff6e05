"""A claim traced from a part to its steel and back: heats, plates, remnants, runs, attempts, jobs, orders."""
