"""Every named damage: the right volume with a warning that names the fault, or a refusal in one line.

Never a traceback, a hang, more memory than two volumes, a patient's name in a message, or a silently wrong voxel or
millimetre. What each damage does and must lead to stands in `corpus`.
"""

from __future__ import annotations

import re

import numpy as np
import pytest
from corpus import DAMAGES, Damage, Opened
from corpus.good import SECRET, write_good
from corpus.guard import SLACK_BYTES, watched

from ctmeasure.cli import main
from ctmeasure.errors import ScanError
from ctmeasure.io.dicom import load_series


@pytest.fixture(scope="module", autouse=True)
def _warm(corpus_once) -> None:
    """Imports and thread stacks belong to the process, not to the first damage."""
    import jpeg_ls  # noqa: F401
    from openjpeg import decode  # noqa: F401
    from pydicom.pixels import decoders  # noqa: F401

    load_series(corpus_once.folder)


def cases() -> list:
    return [pytest.param(damage, id=name.replace(" ", "-")) for name, damage in DAMAGES.items()]


@pytest.mark.parametrize("damage", cases())
def test_damage(damage: Damage, corpus_series, capsys: pytest.CaptureFixture[str]) -> None:
    opened = damage.act(corpus_series) or Opened()
    path = opened.path or corpus_series.folder
    loaded, refusal = None, None
    with opened.during():
        with watched() as seen:
            try:
                loaded = load_series(path, **opened.options)
            except ScanError as error:
                refusal = str(error)
        code = main(["series", str(path)])
    printed = capsys.readouterr()

    assert seen.seconds < seen.limit_s
    truth = corpus_series.hu if opened.hu is None else opened.hu
    if seen.grown_bytes is not None:
        assert seen.grown_bytes <= 2 * truth.nbytes + SLACK_BYTES, f"{seen.grown_bytes / 2**20:.0f} MiB"
    assert code in (0, 2), printed
    assert printed.err.count("\n") == (code == 2), printed.err
    assert "please report it" not in printed.err, printed.err
    spoken = [*printed, refusal or "", *(loaded.warnings if loaded else ())]
    assert not any(SECRET in text for text in spoken), "the patient's name was shown"

    if refusal is not None:
        assert damage.refused, f"refused: {refusal}"
        assert "\n" not in refusal
        assert re.search(damage.refused, refusal), refusal
        return
    assert loaded is not None
    assert damage.warned or damage.harmless, f"was loaded; warnings: {loaded.warnings}"
    volume = loaded.volume
    assert volume.values.shape == truth.shape
    np.testing.assert_allclose(volume.values, truth, rtol=0, atol=opened.values_atol)
    affine = corpus_series.affine_lps if opened.affine_lps is None else opened.affine_lps
    corners = np.stack(np.meshgrid(*[(0, n - 1) for n in truth.shape], [1.0], indexing="ij"), axis=-1).reshape(-1, 4)
    np.testing.assert_allclose(
        (corners @ volume.geometry.affine_lps.T)[:, :3],
        (corners @ affine.T)[:, :3],
        rtol=0,
        atol=opened.places_atol_mm * max(truth.shape),
    )
    if opened.description is not None:
        assert volume.source.description == opened.description
    if damage.harmless:
        named = damage.warned and any(re.search(damage.warned, text) for text in loaded.warnings)
        assert loaded.warnings == () or named, loaded.warnings
    else:
        assert any(re.search(damage.warned, text) for text in loaded.warnings), loaded.warnings


def test_the_corpus_is_large_enough() -> None:
    assert len(DAMAGES) >= 60


@pytest.mark.parametrize("how", ["as-it-is", "padded", "by-slice"])
def test_memory_stays_below_two_volumes(tmp_path, how: str) -> None:
    """A series of 16 MiB: large enough that the volume outweighs everything else."""
    series = write_good(tmp_path / "large", 128, 256, 256)

    def change(data) -> None:
        if how == "padded":
            data.add_new(0x00280120, "SS", int(series.hu[0, 0, 0] + 24))
        if how == "by-slice" and data.InstanceNumber == 5:
            data.RescaleSlope = 1.25

    series.edit_all(change)
    with watched() as seen:
        values = load_series(series.folder).volume.values
    if seen.grown_bytes is None:
        pytest.skip("this system does not tell a process its peak memory")
    assert values.dtype == (np.float32 if how == "by-slice" else np.int16)
    assert seen.grown_bytes <= 2 * values.nbytes
