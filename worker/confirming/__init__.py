"""What the ERP is told of jobs: immutable increments, appended with the counts that they are the difference of."""
