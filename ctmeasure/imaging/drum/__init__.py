"""The drum from the scan: a thin sheet of soft tissue between the air of the canal and that of the middle ear."""
