"""The pages of a trace and of a proposal."""
