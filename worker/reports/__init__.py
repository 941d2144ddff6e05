"""One module per question; each returns a Report of plain values."""
