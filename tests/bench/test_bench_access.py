"""Everybody can use the pages: WCAG 2.2 AA on each page, at both widths, in light and dark.

Sources: contrast as in WCAG 2.2, success criteria 1.4.3 and 1.4.11, with relative luminance as defined there; target
size 2.5.8; reflow 1.4.10 (320 px); the rest by axe-core, whose rules are published at https://github.com/dequelabs/axe-core.
"""

import importlib.util
import re
from pathlib import Path

import make_runs
import pytest
from serve import Browser, Server, new_job, with_answer

from enginelog.bench.settings import Settings
from enginelog.store import open_store

STYLE = Path(__file__).resolve().parents[2] / "enginelog" / "bench" / "static" / "bench.css"
GROUNDS = ("page", "sheet")
# Text on the grounds it stands on: at least 4.5; borders and marks that tell something: at least 3.
TEXTS = [(text, ground) for text in ("ink", "muted", "link", "ok", "watch", "fault", "unknown") for ground in GROUNDS]
TEXTS += [("act-ink", "act"), ("muted", "unknown-soft"), ("ink", "run"), ("ink", "pull"), ("ink", "quiet")]
TEXTS += [("ink", "rundown")] + [(word, f"{verdict}-soft") for verdict in ("ok", "watch", "fault", "unknown")
                                 for word in ("ink", "muted", verdict)]  # fmt: skip
MARKS = [(mark, ground) for mark in ("edge", "act", "line", "mark", "watch", "fault", "link") for ground in GROUNDS]


def luminance(colour: str) -> float:
    """Relative luminance of #rrggbb (WCAG 2.2, definition)."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def colours() -> dict[str, dict[str, str]]:
    """The colours of both themes, from the style sheet."""
    text = STYLE.read_text(encoding="utf-8")
    light = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", text.split("@media")[0]))
    dark = text.split("(prefers-color-scheme: dark)")[1].split("@media")[0]
    return {"light": light, "dark": light | dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", dark))}


def test_the_formula():
    """Black on white is 21 to 1, and #767676 on white 4.54 (both published with the success criterion)."""
    assert round(contrast("#000000", "#ffffff"), 2) == 21.0 and round(contrast("#767676", "#ffffff"), 2) == 4.54


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_contrast(theme):
    known = colours()[theme]
    poor = {pair: round(contrast(*(known[name] for name in pair)), 2) for pair in TEXTS}
    assert not {pair: ratio for pair, ratio in poor.items() if ratio < 4.5}
    marks = {pair: round(contrast(*(known[name] for name in pair)), 2) for pair in MARKS}
    assert not {pair: ratio for pair, ratio in marks.items() if ratio < 3}
    assert contrast(known["ink"], known["page"]) > 12  # for bright light


def test_every_colour_is_one_of_the_named():
    """Outside the tables at the top (and the white of paper) no colour is written out: none escapes the test."""
    rules = STYLE.read_text(encoding="utf-8").split("* { box-sizing")[1].split("@media print")[0]
    assert not re.findall(r"#[0-9a-fA-F]{3,8}\b(?![^{]*\{)", re.sub(r"#[a-z-]+(?=[:\s.~+)\]])", "", rules))


# A picture of one white pixel, in the form of the GIF89a specification.
PHOTO = bytes.fromhex("47494638396101000100800000ffffff00000021f90401000000002c00000000010001000002024401003b")


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """(server, path of each page by name), with a job that has everything."""
    store = tmp_path_factory.mktemp("store") / "shed.enginelog"
    job = new_job(store)
    with Server(Settings(store=store, port=0)) as server:
        browser = Browser(server)
        browser.get("/")
        for stage, run in (("before", make_runs.hunting_pump()), ("after", make_runs.healthy_generator())):
            browser.post(f"/takes/{with_answer(server, job, run)}/attach", {"stage": stage, "conditions": ["warm"]})
        last = with_answer(server, job, make_runs.weak_twin())
        broken = browser.send(job, b"no sound" * 100, "broken.wav")
        browser.wait(broken)
        photo = browser.ask("PUT", f"/jobs/{job}/photos/spark", PHOTO, X_Csrf_Token=browser.csrf).json["id"]
        browser.post(f"/jobs/{job}/checks", {"step": "spark", "result": "fail", "note": "gap 1.2 mm", "photo": photo})
        browser.post(f"/jobs/{job}/work", {"kind": "part", "text": "spark plug", "cost": "4.50", "minutes": "10"})
        paths = {
            "home": "/", "found": "/?text=nothing", "new": "/jobs/new", "job": f"/jobs/{job}",
            "clip": f"/jobs/{job}/clip", "advice": f"/jobs/{job}/advice?answer.choke-helps=yes&check.drive=pass",
            "hand back": f"/jobs/{job}/hand-back", "two runs": "/compare?before=1&after=2",
            "empty job": f"/jobs/{new_job(store, 'mower Clover', kind='mower')}",
            "take": f"/takes/{last}", "failed": f"/takes/{broken}", "run": "/runs/1", "compare": f"/jobs/{job}/compare",
            "machines": "/machines", "machine": "/machines/1", "live": f"/jobs/{job}/live", "pair": "/pair",
            "problem": "/jobs/99",
        }  # fmt: skip
        yield server, paths


# Runs the rules and leaves what they find: the rule, and up to three elements that break it.
AXE = """
window.axe = axe;
window.told = null;
const short = (found) => found.id + ': ' + found.nodes.map((node) => node.html).slice(0, 3).join(' | ');
axe.run().then((result) => (window.told = result.violations.map(short)));
"""


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize(("width", "height"), [(360, 740), (1280, 800)])
def test_axe_finds_nothing(chromium, pages, width, height, theme):
    found = importlib.util.find_spec("axe_core_python")
    if found is None:
        pytest.skip("the accessibility rules are not installed: pip install axe-core-python")
    rules = (Path(found.origin).parent / "axe.min.js").read_text(encoding="utf-8")
    server, paths = pages
    chromium.size(width, height)
    chromium.theme(theme)
    wrong = {}
    for name, path in paths.items():
        chromium.open(server.url + path)
        chromium.run("document.querySelectorAll('details').forEach((each) => (each.open = true))")
        chromium.run(rules + AXE)
        told = chromium.until("return window.told && { all: window.told }")
        wrong |= {name: told["all"]} if told["all"] else {}
    assert wrong == {}
    expected = ("404", "/recording")  # the page of a missing job; a recording of the word "sound" cannot be played
    assert [each for each in chromium.complaints() if not any(word in each for word in expected)] == []


SMALL = """
const inline = (e) => e.closest('p, li, dd, small, .what') && e.tagName === 'A' && !e.classList.contains('button');
return [...document.querySelectorAll('a, button, input:not([type=hidden]), select, textarea, summary')]
  .filter((e) => e.checkVisibility() && !inline(e) && !e.classList.contains('unseen') && !e.classList.contains('skip'))
  .map((e) => [e, (e.closest('.pick') || e).getBoundingClientRect()])
  .filter(([e, box]) => box.width < arguments[0] || box.height < arguments[0])
  .map(([e, box]) => e.outerHTML.slice(0, 90) + ' ' + Math.round(box.width) + 'x' + Math.round(box.height));
"""
UNNAMED = """
return [...document.querySelectorAll('input:not([type=hidden]), select, textarea')]
  .filter((e) => ![...(e.labels || [])].some((label) => label.textContent.trim()) && !e.getAttribute('aria-label'))
  .map((e) => e.outerHTML);
"""


def test_targets_are_large_and_fields_have_names(chromium, pages):
    """44 px for everything to be hit with a thumb: more than the 24 px of 2.5.8, as its AAA sister 2.5.5 asks."""
    server, paths = pages
    chromium.size(360, 740)
    for name, path in paths.items():
        chromium.open(server.url + path)
        chromium.run("document.querySelectorAll('details').forEach((each) => (each.open = true))")
        assert chromium.run(SMALL, 43.5) == [], name
        assert chromium.run(UNNAMED) == [], name


@pytest.mark.parametrize("width", [320, 360, 1280])
def test_nothing_sticks_out(chromium, pages, width):
    server, paths = pages
    chromium.size(width, 740)
    for name, path in paths.items():
        chromium.open(server.url + path)
        chromium.run("document.querySelectorAll('details').forEach((each) => (each.open = true))")
        assert chromium.run("return document.documentElement.scrollWidth") <= width, name


def test_nothing_sticks_out_with_text_twice_as_large(chromium, pages):
    """Text at 200 % loses nothing: WCAG 2.2, 1.4.4. The strip with the button does not cover the page then."""
    server, paths = pages
    chromium.size(360, 740)
    chromium.tool("Page.setFontSizes", {"fontSizes": {"standard": 32, "fixed": 26}})
    try:
        chromium.open(server.url)  # the first page may still be laid out with the size before
        for name, path in paths.items():
            chromium.open(server.url + path)
            chromium.run("document.querySelectorAll('details').forEach((each) => (each.open = true))")
            assert chromium.run("return getComputedStyle(document.documentElement).fontSize") == "32px"
            assert chromium.run("return document.documentElement.scrollWidth") <= 360, name
            strip = "const strip = document.querySelector('.thumb'); return strip && getComputedStyle(strip).position"
            assert chromium.run(strip) in (None, "static"), name
    finally:
        chromium.tool("Page.setFontSizes", {"fontSizes": {"standard": 16, "fixed": 13}})


def test_a_long_word_of_a_part_does_not_push_the_owners_page_off_a_phone(chromium, store, server):
    job = new_job(store)
    with open_store(store) as opened:
        opened.add_work(job, "part", "part 12 " + "x" * 90, 1299, 12)
    chromium.size(390, 844)
    for paper in ("owner", "bench"):
        chromium.open(f"{server.url}/jobs/{job}/papers/{paper}.html")
        assert chromium.run("return document.documentElement.scrollWidth") <= 390, paper


def test_headings_and_landmarks(pages):
    """One main heading a page, no level left out, a language, a title of its own, a way past the navigation."""
    server, paths = pages
    browser, titles = Browser(server), set()
    for name, path in paths.items():
        text = browser.get(path).text
        levels = [int(level) for level in re.findall(r"<h([1-6])", text)]
        assert levels.count(1) == 1 and levels[0] == 1, name
        assert all(after - before <= 1 for before, after in zip(levels, levels[1:], strict=False)), name
        assert '<html lang="en">' in text and 'href="#main"' in text and '<main id="main"' in text
        ids = re.findall(r'\sid="([^"]+)"', text)
        assert len(ids) == len(set(ids)), name
        titles.add(re.search("<title>(.*?)</title>", text)[1])
    assert len(titles) >= len(paths) - 3  # lists of nothing share theirs


def test_colour_never_speaks_alone(pages):
    """Each verdict bears its word and a sign of its own."""
    server, paths = pages
    browser = Browser(server)
    for name in ("take", "run", "compare", "failed"):
        text = browser.get(paths[name]).text
        signs = re.findall(r'<span class="sign ([a-z]+)"><span aria-hidden="true">(.+?)</span> (.+?)</span>', text)
        assert signs and all(sign.strip() and word.strip() for _, sign, word in signs), name
        assert len(re.findall('class="sign', text)) == len(signs)
