"""Score an attempt at placing landmarks against a reference: errors, statuses, dangers, consequences, drills."""
