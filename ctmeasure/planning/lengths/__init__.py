"""Candidate prosthesis lengths: contact stack, planned handle, sizes. Entry: `ctmeasure.planning.lengths.sizes`."""
