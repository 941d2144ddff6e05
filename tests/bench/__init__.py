"""The bench: what the service does, measured on a real server beside a floor in the same run."""
