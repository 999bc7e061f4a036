"""Metal in the ear: old and new prostheses, measured through the blur, and the halo they spoil."""
