"""The words of the ear: landmarks, structures, facts, sides, frames, planes and published values."""
