"""Who a scan is of: read only when a person asks to see it, given back and kept nowhere."""

from __future__ import annotations

import io
from dataclasses import asdict, dataclass

from ctmeasure.io.dicom.sources import Source

NOT_STATED = "not stated"


@dataclass(frozen=True)
class Identity:
    """What a header says of the patient. Never put into a case, a cache, a log or a message."""

    name: str
    patient_id: str
    birth_date: str
    sex: str
    description: str = ""
    """The series description as it stands; shown elsewhere only without what could be a name."""

    @property
    def words(self) -> str:
        """One line for the terminal."""
        return (
            f"{self.name or NOT_STATED}, identifier {self.patient_id or NOT_STATED}, "
            f"born {self.birth_date or NOT_STATED}, sex {self.sex or NOT_STATED}; "
            f"series described as {self.description or NOT_STATED}"
        )

    def to_dict(self) -> dict[str, str]:
        """Give a JSON-ready record."""
        return asdict(self)


def identity_of(source: Source) -> Identity:
    """Read the patient's data of one file, in whatever character set it is written.

    Parameters
    ----------
    source
        A DICOM file.

    Returns
    -------
    Identity
        Empty where the header says nothing or cannot be read.

    Raises
    ------
    OSError
        When the file cannot be opened.

    References
    ----------
    DICOM PS3.3 C.7.1.1 (patient module), C.12.1.1.2 (specific character set).
    """
    from pydicom import dcmread

    names = ("PatientName", "PatientID", "PatientBirthDate", "PatientSex", "SeriesDescription")
    try:
        data = dcmread(io.BytesIO(source.all()), stop_before_pixels=True, force=True, specific_tags=list(names))
        # One line, whatever control characters a header may hold: it goes to a terminal.
        said = ["".join(c for c in str(data.get(name, "") or "") if c.isprintable()) for name in names]
    except Exception:  # pydicom raises many kinds on damaged bytes
        said = [""] * len(names)
    return Identity(*said)
