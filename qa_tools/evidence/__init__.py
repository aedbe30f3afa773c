"""The pages: the weekly review and what stands behind it."""
