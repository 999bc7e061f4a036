"""Compiled kernels: arrays in, arrays out. Nothing here knows what an ear is; import the leaf module you need, late."""
