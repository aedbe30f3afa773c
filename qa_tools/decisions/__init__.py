"""What to do next: decisions that rest on judgements and readings."""
