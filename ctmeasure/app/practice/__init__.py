"""Landmark training: make sets, attempt tasks, hand in, see what it would have led to, watch progress."""
