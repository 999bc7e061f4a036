"""Progress on a terminal: one line that says what is being done; nothing at all where nobody watches."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager

from ctmeasure.progress import Progress, no_progress


@contextmanager
def shown_progress() -> Iterator[Progress]:
    """A progress listener that draws on stderr while the block runs.

    Yields
    ------
    Progress
        Silent when stderr is not a terminal.
    """
    if not sys.stderr.isatty():
        yield no_progress
        return
    from rich.console import Console
    from rich.progress import BarColumn, TextColumn, TimeElapsedColumn
    from rich.progress import Progress as Bar

    columns = (TextColumn("{task.description:<40}"), BarColumn(), TimeElapsedColumn())
    with Bar(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("starting", total=1.0)

        def listener(text: str, fraction: float) -> None:
            bar.update(task, description=text, completed=fraction)

        yield listener
