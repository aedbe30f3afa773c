"""The sections of the audit pack, in their order: one function and one template each."""
