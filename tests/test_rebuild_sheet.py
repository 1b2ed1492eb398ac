"""The rebuild sheet: every lead once, in order, with its cut length; text within the paper."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import pytest

from mapper.rebuild import RebuildSettings, plan_rebuild
from mapper.sheets import Text, rebuild_sheet, rebuild_sheet_pdf
from mapper.sheets.lettering import text_width_mm
from tests.rebuild_plates import comb_plate, two_leads_per_drop

MADE_AT = datetime(2026, 3, 1, 14, 30)
PLATE = comb_plate(4, 6)
PLAN = plan_rebuild(PLATE, two_leads_per_drop(PLATE))


def test_every_lead_stands_once_in_the_order_of_laying_with_its_length():
    pages = rebuild_sheet(PLATE, PLAN, "invented", MADE_AT)
    texts = [item.text for page in pages for item in page.items if isinstance(item, Text)]
    leads = [one.lead.id for one in PLAN.leads]
    assert [text for text in texts if text in leads] == leads
    assert texts.count(f"{PLAN.leads[0].cut_length_mm:.0f}") >= 1
    assert len(pages) > 1
    for page in pages:
        words = " ".join(item.text for item in page.items if isinstance(item, Text))
        assert "prove dead" in words and "licensed practice" in words


def test_no_text_leaves_the_paper_even_with_long_names():
    wanted = two_leads_per_drop(PLATE)
    wanted = [replace(one, id=f"{one.id} {'long name ' * 5}"[:64]) for one in wanted]
    for page in rebuild_sheet(PLATE, plan_rebuild(PLATE, wanted), "t " * 200, MADE_AT):
        for item in page.items:
            if isinstance(item, Text):
                wide = text_width_mm(item.text, item.size_mm, item.bold)
                left = item.x_mm - {"start": 0, "middle": wide / 2, "end": wide}[item.anchor]
                assert left >= 5 and left + wide <= page.width_mm - 5
                assert 5 <= item.y_mm <= page.height_mm - 5


def test_the_sheet_is_a_pdf_and_is_refused_for_a_plan_that_does_not_fit():
    assert rebuild_sheet_pdf(PLATE, PLAN, "invented", MADE_AT).startswith(b"%PDF")
    full = plan_rebuild(PLATE, two_leads_per_drop(PLATE), RebuildSettings(fill_limit=0.01))
    with pytest.raises(ValueError, match="does not fit"):
        rebuild_sheet(PLATE, full, "invented", MADE_AT)
