"""The page: self-contained, inert, readable; checked by parsing it as a browser would."""

import re
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import make_runs
import numpy as np
import pytest
from PIL import Image

from enginelog import report
from enginelog.model import Finding
from enginelog.plots import COLOURS
from enginelog.report import words
from enginelog.report.cautions import cautions
from enginelog.report.facts import facts, limit_of
from enginelog.report.headline import headline
from enginelog.report.judged import judged
from enginelog.report.words import GAP

VOID = {"meta", "br", "link", "img", "input", "hr"}


class Page(HTMLParser):
    """Every element with its attributes, the visible text, and whether tags nest."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict]] = []
        self.open: list[str] = []
        self.words: list[str] = []
        self.bad: list[str] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.bad.append(tag)

    def handle_data(self, data):
        if not {"style", "script"} & set(self.open):
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join("".join(self.words).split())

    def all(self, *tags):
        return [attrs for tag, attrs in self.elements if tag in tags]


@pytest.fixture(scope="module", params=list(make_runs.ALL))
def named_page(request):
    html = report.to_html(make_runs.ALL[request.param]())
    return request.param, html, Page(html)


def test_well_formed(named_page):
    _, html, page = named_page
    assert html.lstrip().startswith("<!DOCTYPE html>")
    assert not page.bad and not page.open
    ids = [attrs["id"] for _, attrs in page.elements if "id" in attrs]
    assert len(ids) == len(set(ids))
    assert len(page.all("h1")) == 1
    assert page.all("html")[0]["lang"] == "en"


def test_fetches_nothing(named_page):
    _, html, page = named_page
    for tag, attrs in page.elements:
        for name, value in attrs.items():
            if name in ("src", "href", "xlink:href", "srcset", "data", "action", "poster", "background"):
                assert value.startswith(("#", "data:")), (tag, name, value)
            assert not name.startswith("on"), (tag, name)
            assert name != "style" or "url(" not in value or "url(#" in value
    assert not page.all("script", "link", "iframe", "object", "embed", "base", "form", "foreignobject")
    css = re.search(r"<style>(.*?)</style>", html, re.S).group(1)
    assert "@import" not in css and "url(" not in css
    policy = next(a["content"] for a in page.all("meta") if a.get("http-equiv") == "Content-Security-Policy")
    assert "default-src 'none'" in policy and "script-src" not in policy


def test_every_picture_has_a_text_and_a_caption(named_page):
    _, _, page = named_page
    pictures = [a for a in page.all("svg") if a.get("role") == "img"]
    assert all(len(a["aria-label"]) > 20 for a in pictures)
    assert len(pictures) == 2 * len(page.all("figure")) == 2 * len(page.all("figcaption"))


def test_tables_have_headers(named_page):
    _, _, page = named_page
    assert all(a.get("scope") in ("col", "row") for a in page.all("th"))
    assert len(page.all("thead")) == len(page.all("table"))


def test_answer_comes_first_with_word_and_sign(named_page):
    name, _, page = named_page
    run = make_runs.ALL[name]()
    top = headline(run)
    text = page.text
    answer = text.index(" ".join(words.clean(top.title).split()))
    assert f"{words.SIGNS[top.verdict]} {words.VERDICTS[top.verdict]}" in text[:answer]
    assert answer < text.index("Take care")
    assert text.index("Take care") < text.index("How it was recorded")


def test_never_a_sound_level_or_a_verdict_of_law(named_page):
    text = named_page[2].text
    assert not re.search(r"\bdB\s?\(?A\)?\b|dB\s?SPL|\bOBD\b|complian", text, re.IGNORECASE)
    assert not re.search(r"\b(nan|None|inf)\b", text)


def test_every_caution_of_its_machine_with_its_source(named_page):
    name, _, page = named_page
    machine = make_runs.ALL[name]().engine.machine
    for caution in cautions(machine):
        assert caution.text in page.text and caution.source in page.text
    assert "6 m (20 ft)" in page.text  # CPSC
    bladeless = machine in ("generator", "pump", "pressure washer", "tiller", "saw", "trimmer")
    assert ("the 3.0 s in which" in page.text) != bladeless  # 16 CFR 1205.5(a)(1)(iii)


def test_hours_of_listening_follow_the_noise_rule():
    # NIOSH: T = 8 h / 2^((L - 85) / 3); ASHA list: petrol mower 91, chain saw 112 (both dBA).
    text = next(caution.text for caution in cautions() if caution.title == "Hearing")
    assert 8 / 2 ** ((91 - 85) / 3) == 2.0 and "about 2 hours a day" in text
    assert pytest.approx(0.94, abs=0.01) == 60 * 8 / 2 ** ((112 - 85) / 3) and "about one minute" in text


def test_markup_in_names_and_notes_is_inert():
    page = Page(report.to_html(make_runs.hostile()))
    assert not page.all("script", "img", "b") and not page.bad
    assert page.text.count("<script>alert(1)</script>") >= 8
    assert "\x1b" not in page.text and "\u202e" not in page.text


def test_findings_show_number_limit_source_place_and_next_steps():
    text = Page(report.to_html(make_runs.weak_twin())).text
    for part in ("Measured 5.9 %", "Limit 1 %", "Basis: 13 CCR 1968.2(e)(3.1.3)", "In the recording: 2.2 s to 22.0 s",
                 "Plug and lead of the weak cylinder", "16 CFR 1205.5(a)(1)(iii)"):  # fmt: skip
        assert part in text, part


@pytest.mark.parametrize(
    ("name", "title"),
    [("weak_twin", "miss-w"), ("hunting_pump", "swing-w"), ("settling_start", "rough-w")],
)
def test_evidence_stands_with_its_finding(name, title):
    html = report.to_html(make_runs.ALL[name]())
    cards = re.findall(r'<article class="card.*?</article>', html, re.S)
    assert any(f'id="{title}-' in card for card in cards)


def test_how_it_ran_down_stands_with_a_stop_that_took_long():
    run = make_runs.weak_twin()
    told = replace(run.timeline, cut_s=22.0)
    found = (Finding("stop", "watch", "From ignition off to standstill 2.4 s.", 2.4, "s", 2.0),)
    run = replace(run, timeline=told, measures=replace(run.measures, findings=found))
    (card,) = re.findall(r'<article class="card.*?</article>', report.to_html(run), re.S)
    assert 'id="rundown-w-' in card and "to standstill after 2.4 s" in card


def test_two_findings_of_one_measure_draw_the_picture_once():
    run = make_runs.weak_twin()
    twice = (*run.measures.findings, Finding("cylinder_b", "watch", "Cylinder B is weak."))
    page = Page(report.to_html(replace(run, measures=replace(run.measures, findings=twice))))
    ids = [attrs["id"] for _, attrs in page.elements if "id" in attrs]
    assert len(ids) == len(set(ids))


def test_trust_and_origin_are_said():
    run = make_runs.hunting_pump()
    text = Page(report.to_html(run)).text
    for part in (run.clip.sha256, "enginelog 0.1.0", "pump shed, windy.m4a", "48000 Hz, 1 channel, aac", "25 s",
                 "0.80 of 1", "4 strokes and 1 cylinder", "Wind blows on the microphone.", "back to the wind",
                 "cut by the phone below 240 Hz"):  # fmt: skip
        assert part in text, part


def test_caption_claims_nothing_about_misfires_that_cannot_be_told():
    run = make_runs.healthy_generator()
    assert "No lost firing was heard." in Page(report.to_html(run)).text
    firing = replace(run.measures.firing, misfires=None, misfire_percent=None, misfire_low=None, misfire_high=None)
    text = Page(report.to_html(replace(run, measures=replace(run.measures, firing=firing)))).text
    assert "Whether any was lost cannot be told." in text and "No lost firing" not in text


def test_a_firing_is_not_called_lost_where_it_may_only_be_weak():
    """Beside "it burns weakly, or not at all, or is only heard less" a picture named one of its firings as lost."""
    twin = make_runs.weak_twin()
    sure = report.to_html(twin)
    assert (
        "A close look at a lost firing and those beside it" in sure
        and ">lost<" in sure
        and "was lost (a misfire)" in sure
    )
    untold = replace(twin.measures.firing, misfires=None, misfire_percent=None, misfire_low=None, misfire_high=None)
    faint = replace(twin.measures.findings[0], code="cylinder_balance", verdict="watch", value=59.0, limit=70.0)
    measures = replace(twin.measures, firing=untold, findings=(faint,))
    html = report.to_html(replace(twin, measures=measures))
    assert "A close look at a firing that was lost or weak and those" in html and "which cannot be told of each" in html
    assert ">lost<" not in html and ">lost?<" in html and "(a misfire)" not in Page(html).text.replace("Misfire: a", "")


def test_the_strength_of_a_cylinder_is_no_share_of_misfires():
    """ "Misfires: cannot tell, judged: 59 %, limit 70 %" read as 59 % of the firings lost."""
    twin = make_runs.weak_twin()
    untold = replace(twin.measures.firing, misfires=None, misfire_percent=None, misfire_low=None, misfire_high=None)
    faint = replace(twin.measures.findings[0], code="cylinder_balance", verdict="watch", value=59.0, limit=70.0)
    run = replace(twin, measures=replace(twin.measures, firing=untold, findings=(faint,)))
    rows = {fact.label: limit_of(run, fact) for fact in facts(run)}
    assert rows["Misfires"] is None and rows["Cylinders"] is faint
    cylinders = next(fact for fact in facts(run) if fact.label == "Cylinders")
    assert judged(run, cylinders, faint) == f"judged: 59{GAP}% strong, the weakest of them"


def test_many_stretches_are_cut_short_and_said_so():
    run = make_runs.pulls_only()
    spans = tuple(replace(run.timeline.spans[0], start_s=0.1 * i, end_s=0.1 * i + 0.05) for i in range(120))
    text = Page(report.to_html(replace(run, timeline=replace(run.timeline, spans=spans)))).text
    assert "40 more are in run.json" in text


def test_limits_used_carry_meaning_and_source():
    from enginelog import limits

    topic, name, limit = next((t, n, x) for t in limits.topics() for n, x in limits.load(t).items())
    run = replace(make_runs.talk_only(), limits_used={f"{topic}.{name}": limit.value, "own.unknown": 3.0})
    text = Page(report.to_html(run)).text
    assert " ".join(limit.meaning.split()) in text and "own.unknown" in text


def test_sound_is_embedded_and_its_type_checked():
    excerpt = report.AudioExcerpt(b"\x00\x01\xff", "audio/mp4", 4.0, 9.0)
    page = Page(report.to_html(make_runs.talk_only(), excerpt))
    assert page.all("audio")[0]["src"] == "data:audio/mp4;base64,AAH/"
    with pytest.raises(ValueError, match="audio/"):
        report.to_html(make_runs.talk_only(), replace(excerpt, media_type='audio/mp4" onerror="x'))


def test_size_stays_small(named_page):
    assert len(named_page[1]) < 700_000


# ---------------------------------------------------------------- colours


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.1, definition of relative luminance."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(a: str, b: str) -> float:
    """(L1 + 0.05) / (L2 + 0.05), WCAG 2.1, definition of contrast ratio."""
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def palettes():
    css = re.search(r"<style>(.*?)</style>", report.to_html(make_runs.nothing_known()), re.S).group(1)
    light, dark = (dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", part)) for part in css.split("@media screen", 2)[:2])
    return {"light": {f"plot-{k}": v for k, v in COLOURS.items()} | light, "dark": dark}


def test_contrast_formula():
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)  # WCAG 2.1: black on white is 21:1
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_contrast_meets_aa(scheme):
    # WCAG 2.1, 1.4.3: text 4.5:1; 1.4.11: parts of pictures that carry meaning 3:1.
    p = palettes()[scheme]
    for ground in ("page", "sheet"):
        for ink in ("ink", "muted", "link", "plot-ink", "plot-muted", "plot-marker", "plot-second"):
            assert contrast(p[ink], p[ground]) >= 4.5, (ink, ground)
    for verdict in ("ok", "watch", "fault", "unknown"):
        assert contrast(p[verdict], p["sheet"]) >= 4.5
        assert contrast(p["ink"], p[f"{verdict}-soft"]) >= 4.5
    for kind in ("run", "pull", "quiet", "rundown"):
        assert contrast(p["plot-ink"], p[f"plot-{kind}"]) >= 4.5
    for mark in ("plot-line", "plot-lost"):
        assert contrast(p[mark], p["sheet"]) >= 3.0


def test_the_one_run_has_one_speed_on_the_page():
    """The span's own speed is a mean and may be some rpm off the middle value that stands on top."""
    run = make_runs.healthy_generator()
    spans = tuple(replace(s, rpm=s.rpm + 7) if s.kind == "run" else s for s in run.timeline.spans)
    page = report.to_html(replace(run, timeline=replace(run.timeline, spans=spans)))
    shown = page.split("<h2>What happened when</h2>")[1].split("</table>")[0]
    assert sum(s.kind == "run" for s in spans) == 1
    assert f"{run.measures.speed.rpm:.0f}\xa0rpm" in shown


def test_a_run_down_has_the_speed_it_begins_at():
    """What was held until the ignition was cut (the record's own meaning) is not the speed of a fall to standstill."""
    run = make_runs.settling_start()
    spans = tuple(replace(s, rpm=2994.0) if s.kind == "rundown" else s for s in run.timeline.spans)
    page = report.to_html(replace(run, timeline=replace(run.timeline, spans=spans)))
    assert "from 2994\xa0rpm" in page.split("<h2>What happened when</h2>")[1].split("</table>")[0]


def printed(html: str, folder: Path) -> Path:
    """The page as PDF, by a real browser; the test is skipped where there is none."""
    names = ("chromium", "chromium-browser", "google-chrome", "chrome")
    browser = next((found for name in names if (found := shutil.which(name))), None)
    if browser is None:
        pytest.skip("no chromium or chrome at hand to print the page")
    page, paper = folder / "page.html", folder / "page.pdf"
    page.write_text(html, encoding="utf-8")
    command = [browser, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer"]
    subprocess.run([*command, f"--print-to-pdf={paper}", page.as_uri()], capture_output=True, timeout=120, check=True)
    return paper


LIGATURES = {0xFB00: "ff", 0xFB01: "fi", 0xFB02: "fl", 0xFB03: "ffi", 0xFB04: "ffl"}


def sheets_of(paper: Path) -> list[str]:
    """The text of each sheet. Some fonts draw ff, fi and fl as one letter each, and so they are read back."""
    pypdf = pytest.importorskip("pypdf", reason="pypdf, which reads the PDF back, is not installed")
    return [" ".join(page.extract_text().translate(LIGATURES).split()) for page in pypdf.PdfReader(paper).pages]


def on(size: str, html: str) -> str:
    """The page for paper of that size."""
    return html.replace("</head>", f"<style>@page {{ size: {size} }}</style></head>")


@pytest.mark.parametrize("size", ["A4", "Letter"])
@pytest.mark.parametrize("name", ["healthy_generator", "hunting_pump", "settling_start", "weak_twin"])
def test_on_paper_the_first_sheet_is_enough_for_an_owner(tmp_path, name, size):
    """The answer in plain words, the key figures, what to take care of, the main picture, and the first finding."""
    run = make_runs.ALL[name]()
    first, *others = sheets_of(printed(on(size, report.to_html(run)), tmp_path))
    assert " ".join(headline(run).text.split()) in first
    for part in ("Speed", "Misfires", "Take care:", "Speed over time", "time in the recording"):
        assert part in first, part
    assert not any("Speed over time" in other for other in others)
    if any(finding.verdict in ("watch", "fault") for finding in run.measures.findings):
        assert "What was found" in first and "Measured" in first


MARGIN_TOP_MM, MARGIN_FOOT_MM = 11, 13  # as in print.css


@pytest.mark.parametrize("size", ["A4", "Letter"])
@pytest.mark.parametrize("name", ["healthy_generator", "hunting_pump", "settling_start", "weak_twin"])
def test_few_sheets_and_none_nearly_empty(tmp_path, name, size):
    """Seen as another program paints it: what is white below the last mark of a sheet. No sheet but the last is more
    than a third empty, and the last at least a fifth full; both, and five sheets at most, are our own wish."""
    if shutil.which("pdftoppm") is None:
        pytest.skip("pdftoppm is not here to paint the print: apt install poppler-utils")
    paper = printed(on(size, report.to_html(make_runs.ALL[name]())), tmp_path)
    subprocess.run(["pdftoppm", "-r", "40", "-gray", "-png", paper, tmp_path / "sheet"], timeout=60, check=True)
    sheets = sorted(tmp_path.glob("sheet-*.png"))
    assert 3 <= len(sheets) <= 5
    empty = [_empty_share(Image.open(sheet)) for sheet in sheets]
    assert max(empty[:-1]) <= 1 / 3 and empty[-1] <= 4 / 5, empty


@pytest.mark.parametrize("size", ["A4", "Letter"])
def test_a_recording_in_which_nothing_happened_takes_one_sheet(tmp_path, size):
    """A strip and a table that hold 'no engine' alone, from begin to end, say nothing and made a second sheet."""
    run = replace(make_runs.talk_only(), quality=replace(make_runs.unusable_clip().quality, usable=False))
    html = report.to_html(run)
    assert "What happened when" not in html and "What was heard when" not in html
    sheets = sheets_of(printed(on(size, html), tmp_path))
    assert len(sheets) == 1 and "How it was recorded" in sheets[0] and run.clip.sha256[:12] in sheets[0]


def test_on_paper_nothing_folded_is_lost_unsaid_and_sheets_are_numbered(tmp_path):
    run = replace(make_runs.hunting_pump(), limits_used={f"own.{i}": 1.0 for i in range(37)})
    html = report.to_html(run)
    sheets = sheets_of(printed(html, tmp_path))
    assert "Not printed: the 37 limits used" in " ".join(sheets) and "own.36" not in " ".join(sheets)
    assert all(f"Sheet {number} of {len(sheets)}" in sheet for number, sheet in enumerate(sheets, 1))
    unfolded = sheets_of(printed(html.replace("<details>", "<details open>"), tmp_path))
    assert "own.36" in " ".join(unfolded) and "Not printed" not in " ".join(unfolded)


def test_on_paper_all_else_of_the_page_is_printed(tmp_path):
    """Every word of the page but what is folded away, the picture of wide screens, and what only a screen can do."""
    run = replace(make_runs.weak_twin(), limits_used={})
    html = report.to_html(run)
    said = re.sub(r"<style>.*?</style>|<svg.*?</svg>|<title>.*?</title>", " ", html, flags=re.S).replace("<", " <")
    text = "".join("".join(sheets_of(printed(html, tmp_path))).split())
    missing = [word for word in Page(said).text.split() if word not in text]
    assert not missing


@pytest.mark.parametrize(("name", "step_mm"), [("unusable_clip", 5), ("healthy_generator", 9), ("pulls_only", 9)])
def test_no_sheet_holds_the_footer_or_the_cautions_alone(tmp_path, name, step_mm):
    """On sheets of many heights: some would part it off. Cautions are not parted from one another, and the last sheet
    says what happened and how it was recorded, whatever else it holds."""
    run = make_runs.ALL[name]()
    html = report.to_html(run)
    at_the_end = ("How it was recorded", "Beside this page", *(["What happened when"] if run.timeline.spans else []))
    for height_mm in range(256, 302, step_mm):
        sheets = sheets_of(printed(on(f"210mm {height_mm}mm", html), tmp_path))
        assert all(part in sheets[-1] for part in at_the_end), height_mm
        with_cautions = [
            sheet for sheet in sheets if any(caution.text in sheet for caution in cautions(run.engine.machine))
        ]
        assert len(with_cautions) == 1, height_mm
        assert all(caution.text in with_cautions[0] for caution in cautions(run.engine.machine)), height_mm


def _empty_share(sheet: Image.Image, dots_per_mm: float = 40 / 25.4) -> float:
    """What is left white below the last mark of a sheet, as a share of what can be printed on between the margins (in
    the lower one stands the sheet's number)."""
    top, foot = MARGIN_TOP_MM * dots_per_mm, sheet.height - MARGIN_FOOT_MM * dots_per_mm
    marks = np.flatnonzero((np.asarray(sheet.convert("L"))[: int(foot)] < 200).any(axis=1))
    return (foot - marks.max()) / (foot - top)


def test_rain_and_talk_are_not_called_quiet():
    """Where no engine is heard there may be all else: the timeline says what it knows."""
    run = make_runs.two_hours()
    page = report.to_html(run)
    assert any(span.kind == "quiet" for span in run.timeline.spans)
    assert "no engine heard" in page and not re.search(r">\s*quiet\s*<", page)


def test_no_line_of_a_finding_ends_between_a_number_and_its_unit():
    run = make_runs.healthy_generator()
    told = Finding("hunting", "watch", "Hunts: speed swings by 2.1 % within 3.0 s.", 2.1, "%", 1.25, "x")
    page = report.to_html(replace(run, measures=replace(run.measures, findings=(told,))))
    assert "swings by 2.1\u00a0% within 3.0\u00a0s." in page
