"""The napari window of ctmeasure: it converts and listens; the library computes."""
