"""The footplate from the scan: a thin sheet between the niche and the vestibule, in a window of thick bone."""
