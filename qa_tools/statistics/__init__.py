"""Statistics shared by the rooms to the right; imports nothing of ours."""
