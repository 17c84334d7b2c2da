"""The hand-back's cautions fit the machine: what it alone has stands there, and what it has not does not."""

import re

import pytest
from made_handbacks import bare

from enginelog import report
from enginelog.limits.trade import cautions as trade
from enginelog.model.telling import MACHINES
from enginelog.report.cautions import cautions
from enginelog.report.handback_sheet import AUDIENCES

# Whoever has such a machine has this to fear of it: common practice, no source.
OF_ITS_OWN = {
    "pressure washer": "Water jet",
    "generator": "A generator's output kills",
    "saw": "Saw chain and kickback",
    "mower": "Keep others away",
}


@pytest.mark.parametrize("kind", OF_ITS_OWN)
@pytest.mark.parametrize("audience", AUDIENCES)
def test_the_machines_own_cautions_are_on_every_paper(kind, audience):
    """Whoever got a pressure washer back read of blade, chain and tines, and not a word of its jet."""
    page = report.hand_back_html(bare(kind), audience).replace("&#39;", "'")
    assert OF_ITS_OWN[kind] in page and "Never defeat a brake, a governor or a safety control" in page
    [own] = [one for one in trade.cautions() if one.title == OF_ITS_OWN[kind]]
    assert own.short in report.hand_back_text(bare(kind))


@pytest.mark.parametrize("kind", [None, *MACHINES])
def test_no_paper_speaks_of_what_the_machine_has_not(kind):
    page = report.hand_back_html(bare(kind))
    moves = {"saw": "Moving chain", "tiller": "Moving tines", "trimmer": "Moving line or blade"}
    cuts = kind in (None, "other", "mower", "mower twin")
    mine = moves.get(kind, "Moving blade, chain or tines" if cuts else "Moving parts")
    every = {*moves.values(), "Moving blade, chain or tines", "Moving parts"}
    assert {title for title in every if f">{title}." in page} == {mine}
    assert ("3.0 s" in page) == cuts, "the time of a mower's blade stood on a saw's page"
    assert "keep it away from the plug before hands go near" in page, "of all of them"
    assert ("chain saw" in page) == (kind in (None, "other", "saw"))


@pytest.mark.parametrize("kind", [None, *MACHINES])
def test_each_machine_has_each_of_the_usual_cautions_once(kind):
    short = [one.short for one in cautions(kind)]
    assert short == [one.short for one in cautions()] and len(set(short)) == len(short)
    assert all(one.source for one in cautions(kind))


def test_the_pdf_has_them_too():
    from io import BytesIO

    pypdf = pytest.importorskip("pypdf", reason="pypdf, which reads the PDF back, is not installed")
    pages = pypdf.PdfReader(BytesIO(report.hand_back_pdf(bare("pressure washer")))).pages
    text = re.sub(r"\s+", " ", " ".join(page.extract_text() for page in pages))
    assert "Water jet. The jet cuts skin." in text and "chain or tines" not in text
