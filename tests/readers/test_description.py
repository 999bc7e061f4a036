"""A name typed into a series description is neither listed nor kept; what the trade writes there is."""

from __future__ import annotations

import pytest

from ctmeasure.app.series import list_scan, listing_as_json, listing_as_text
from ctmeasure.io.dicom import load_series
from ctmeasure.io.dicom.description import plain_description


@pytest.mark.parametrize(
    "text",
    ["CT ear axial 0.3mm H60s", "Felsenbein re. 0,6 U70u", "BONE L/R", "temporal bone (left), mpr cor 0.5", "", "3d"],
)
def test_words_of_the_trade_stay(text):
    assert plain_description(text) == text


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("CT ear DOE JANE 1970-01-02", "CT ear ..."),
        ("Doe^Jane", "..."),
        ("DOE_JANE_EAR", "..._EAR"),
        ("ear 02.01.70", "ear ..."),
        ("ear 19700102 right", "ear ... right"),
        ("ear 4711-0815", "ear ..."),
        ("\u65e5\u672c ear", "... ear"),
    ],
)
def test_anything_else_is_left_out(text, told):
    assert plain_description(text) == told


def test_neither_volume_nor_listing_hold_the_name(series):
    def as_a_hospital(data):
        data.PatientID, data.PatientName = "4711", "Zzyxq^Test"
        data.SeriesDescription = "CT ear ZZYXQ TEST 1970-01-02"

    series.edit_all(as_a_hospital)
    volume = load_series(series.folder).volume
    assert volume.source.description == "CT ear ..."
    listing = list_scan(series.folder)
    assert "zzyxq" not in (listing_as_json(listing) + listing_as_text(listing)).lower()
    asked = list_scan(series.folder, identity=True)
    assert any("ZZYXQ" in one.description for one in asked.identities.values())
