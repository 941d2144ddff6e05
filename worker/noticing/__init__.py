"""What the figures show by themselves: changes, lots, conditions and implausible entries, each as one finding."""
