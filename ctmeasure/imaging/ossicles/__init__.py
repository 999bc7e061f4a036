"""Which ossicles are there and which are not, with the evidence; never a word about mobility."""
