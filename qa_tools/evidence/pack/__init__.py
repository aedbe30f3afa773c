"""The audit pack: one folder that answers an auditor's list and can be shown unchanged."""
