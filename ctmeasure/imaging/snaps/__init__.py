"""Aids for the person placing points: snaps to what the image shows, and the mean ear behind suggestions."""
