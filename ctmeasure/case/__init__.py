"""The saved document of one ear: who, which scan, what was marked, what came out, and its history."""
