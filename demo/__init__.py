"""An invented shop that speaks to the service through its door."""
