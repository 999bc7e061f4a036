"""What is offered when nothing was named: the samples, what was opened last, a scan or a case from the disk."""

from __future__ import annotations

from pathlib import Path

from qtpy.QtCore import QEventLoop, Qt
from qtpy.QtWidgets import (
    QDialog,
    QFileDialog,
    QHBoxLayout,
    QLabel,
    QListWidget,
    QListWidgetItem,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from ctmeasure.app.places import note_recent, recent_work
from ctmeasure.case.model import Case
from ctmeasure.errors import Cancelled, CtmeasureError
from ctmeasure.planning.cautions import SHORT_CAUTION
from ctmeasure.volume.volume import Volume

from .opening import InThread, SeriesPicker, Wish, is_a_case, survey
from .style import named

SAMPLE_WORDS = {
    "revision_ear": "Sample: an ear operated on before (synthetic)",
    "revision_ear_later": "Sample: the same ear months later (synthetic)",
    "cone_beam_ear": "Sample: an ear in a cone-beam scan (synthetic)",
}


def offers() -> list[tuple[str, Wish]]:
    """What can be opened at once: the samples first, then what was opened last."""
    from ctmeasure_samples import SAMPLE_NAMES

    found = [(SAMPLE_WORDS.get(name, f"Sample: {name}"), Wish(sample=name)) for name in SAMPLE_NAMES]
    for place, scan, side in recent_work():
        path = Path(place)
        if scan:
            found.append((f"Case: {path.name} ({side} ear)", Wish(case=path, scan=Path(scan))))
        elif side:
            found.append((f"Scan: {path.name} ({side} ear)", Wish(scan=path, side=side)))
    return found


class StartDialog:
    """Offers what can be opened."""

    def __init__(self) -> None:
        self.dialog = named(QDialog())
        self.dialog.setWindowTitle("ctmeasure")
        self.dialog.resize(620, 420)
        self.wish: Wish | None = None
        self.said = QLabel()
        self.said.setWordWrap(True)
        column = QVBoxLayout(self.dialog)
        column.addWidget(named(QLabel("Which ear?"), "side"))
        self.list = QListWidget()
        for words, wish in offers():
            item = QListWidgetItem(words)
            item.setData(Qt.ItemDataRole.UserRole, wish)
            self.list.addItem(item)
        self.list.setCurrentRow(0)
        self.list.itemDoubleClicked.connect(lambda _: self._take())
        column.addWidget(self.list, 1)
        column.addWidget(self.said)
        row = QHBoxLayout()
        for words, act in (
            ("Open", self._take),
            ("A folder with a scan...", lambda: self._choose(folder=True)),
            ("A ZIP or file...", lambda: self._choose(folder=False)),
        ):
            button = QPushButton(words)
            button.clicked.connect(lambda _=False, act=act: act())
            row.addWidget(button)
        column.addLayout(row)
        caution = named(QLabel(SHORT_CAUTION), "caution")
        caution.setWordWrap(True)
        column.addWidget(caution)

    def _take(self) -> None:
        item = self.list.currentItem()
        if item is not None:
            self.wish = item.data(Qt.ItemDataRole.UserRole)
            self.dialog.accept()

    def _choose(self, *, folder: bool) -> None:
        if folder:
            name = QFileDialog.getExistingDirectory(self.dialog, "A folder with a scan or a case")
        else:
            name, _ = QFileDialog.getOpenFileName(self.dialog, "A scan or a case")
        if not name:
            return
        try:
            wish = wish_of(Path(name), self.dialog)
        except CtmeasureError as error:
            self.said.setText(str(error))
            return
        if wish is not None:
            self.wish = wish
            self.dialog.accept()


def wish_of(path: Path, parent: QWidget) -> Wish | None:
    """What a person means by a path: asks for the scan of a case, and for series and ear of a scan.

    Raises
    ------
    ctmeasure.errors.CtmeasureError
        When there is nothing to read.
    """
    if is_a_case(path):
        scan = QFileDialog.getExistingDirectory(parent, "The scan of this case")
        return Wish(case=path, scan=Path(scan)) if scan else None
    listing = waited(parent, "Looking at the scan", survey(path))
    found = SeriesPicker(listing, parent).chosen()  # type: ignore[arg-type]
    return Wish(scan=path, series=found[0], side=found[1]) if found else None


def waited(parent: QWidget, words: str, work: object) -> object:
    """Run something in a thread, with its progress shown, and give its result.

    Raises
    ------
    ctmeasure.errors.CtmeasureError
        With the sentence of what went wrong.
    """
    loop, kept, said = QEventLoop(parent), [], []  # type: ignore[var-annotated]

    def done(result: object) -> None:
        kept.append(result)
        loop.quit()

    def failed(words: str) -> None:
        said.append(words)
        loop.quit()

    InThread(parent, words, work, done, failed)  # type: ignore[arg-type]
    loop.exec()
    if said:
        raise CtmeasureError(said[0])
    return kept[0]


def ask() -> tuple[Wish, tuple[Case, Volume]]:
    """Offer, and open what was chosen; what cannot be opened is said, and the offer stays.

    Raises
    ------
    ctmeasure.errors.Cancelled
        When the person closes the offer.
    """
    dialog = StartDialog()
    while True:
        if dialog.dialog.exec() != QDialog.DialogCode.Accepted or dialog.wish is None:
            raise Cancelled
        wish = dialog.wish
        try:
            opened = waited(dialog.dialog, "Opening", wish.open)
        except CtmeasureError as error:
            dialog.said.setText(str(error))
            continue
        remember(wish, opened[0])  # type: ignore[index]
        return wish, opened  # type: ignore[return-value]


def remember(wish: Wish, case: Case) -> None:
    """Note it among what was opened last; samples are always offered."""
    if wish.case is not None:
        note_recent(wish.case, scan=wish.scan, side=case.side)
    elif wish.scan is not None:
        note_recent(wish.scan, side=case.side)
