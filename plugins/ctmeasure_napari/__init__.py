"""The napari window of ctmeasure: it converts and listens; the library computes."""

from __future__ import annotations

from .none_kept import keep_none_alive

keep_none_alive()
