"""The report: everything the flight has to say, the same in HTML and PDF, self-contained, deterministic; in a real browser too."""

import dataclasses
import functools
import html
import http.server
import re
import shutil
import subprocess
import threading

import pytest
from figure_flight import everything

from replay.cautions import CAUTIONS
from replay.figures.material import with_material
from replay.figures.registry import figure_kinds
from replay.figures.report import Heading, Numbering, Paragraph, Picture, Report, Table
from replay.figures.report_content import ReportRequest, report_of
from replay.figures.report_html import html_of
from replay.figures.report_pages import WIDTH_MM, column_widths, width_mm, wrapped
from replay.figures.report_pdf import write_pdf
from replay.figures.style import style
from replay.figures.words import true_minus
from replay.review.review import FindingMark, Note, Review

SECTIONS = [
    *("The job of this flight", "Key figures", "Findings", "Figures", "Calibration before and after", "Flown again", "What was assumed"),
    *("What the record could not tell", "Notes", "Cautions", "How this report was made"),
]
JOB = "See whether <guidance> rights the vehicle & holds it."
REVIEW = Review(
    notes=(Note(JOB), Note("gust felt on the field", 6.0, 7.0)),
    finding_marks=(FindingMark("early kick", 4.1, text="seen in the video too"),),
)
COMMAND = "plumbline report drawn.csv --out r --force"
FEW = ("plumb-circle", "film-strip", "correlation")


@functools.cache
def shot():
    return everything(50.0)


@functools.cache
def report():
    return report_of(ReportRequest(shot(), REVIEW, command=COMMAND))


@functools.cache
def short():
    """The same report with three of its figures: drawing all of them is `test_figures`' work."""
    return dataclasses.replace(report(), blocks=tuple(b for b in report().blocks if not isinstance(b, Picture) or b.kind.name in FEW))


@functools.cache
def page():
    return html_of(short(), shot())


def plain(text):
    return " ".join(html.unescape(re.sub(r"<style.*?</style>|<[^>]+>", " ", text, flags=re.DOTALL)).split())


def test_the_report_has_every_section_and_every_figure_of_the_flight():
    """In their order; every figure that can be drawn is there, and the cautions word for word."""
    assert [b.text for b in report().blocks if isinstance(b, Heading) and b.level == 1] == SECTIONS
    assert [b.kind.name for b in report().blocks if isinstance(b, Picture)] == list(figure_kinds())
    text = plain(page())
    for words in (
        JOB,
        "What came of it. As flown: tilt at burnout",
        "77.6 ± 1.2 N·s",
        "Early kick. To be settled (0.10 to 0.60 s): largest rate 41.00 ± 0.50 deg/s.",
        "Reviewer: seen in the video too",
        "Begin later",
        "rail exit speed: no rail length",
        "Accelerometer bias z: this flight does not determine it",
        "Control: the log has no <gimbal> position & command",
        "one of the explanation",
        "2.00 s: gust felt on the field",
        "Heading: declared, never measured",
        COMMAND,
        *CAUTIONS,
    ):
        assert words.lower() in text.lower(), words
    rows = [row for block in report().blocks if isinstance(block, Table) for row in block.rows]
    assert ("accelerometer bias x, m/s²", "0", "0", "0.3000 ± 0.0040") in rows
    assert any(row[0].startswith("accelerometer bias z") and "not determined" in row[-1] for row in rows)
    assert any(row[0] == "burnout" and row[1] == "4.500 ± 0.020 s" for row in rows)


def test_a_bare_flight_says_what_is_not_there():
    """Nothing explained, reconciled or flown again: still a report, and it names what is missing."""
    bare = dataclasses.replace(shot(), extras=None, what_if=None)
    found = report_of(ReportRequest(bare, Review()))
    text = " ".join(str(getattr(b, "text", "")) + " ".join(getattr(b, "texts", ())) for b in found.blocks)
    assert "Not stated. Give it with --job" in text
    assert "not been explained" in text
    assert "plumbline reconcile does that" in text
    assert all(block.rows for block in found.blocks if isinstance(block, Table))  # no header over nothing
    resolved = Review(finding_marks=(FindingMark("early kick", 4.1, is_resolved=True, text="timer moved"),))
    later = report_of(ReportRequest(with_material(shot()), resolved))
    assert any("Early kick: timer moved" in getattr(b, "texts", ()) for b in later.blocks)


def test_html_is_one_file_that_fetches_nothing_and_is_the_same_twice():
    """No address outside, no script, ids that do not meet, an alternative text on every figure."""
    text = page()
    assert text == html_of(short(), shot())
    for address in re.findall(r'(?:src|href)="([^"]*)"', text) + re.findall(r"url\(([^)]*)\)", text):
        assert address.startswith(("#", "data:")), address
    assert "<script" not in text
    assert "@import" not in text
    ids = re.findall(r'\bid="([^"]+)"', text)
    assert len(ids) == len(set(ids))
    assert set(re.findall(r'href="#([^"]+)"', text)) <= set(ids)
    labels = re.findall(r'<svg role="img" aria-label="([^"]+)"', text)
    assert len(labels) == len(FEW)
    assert "&lt;guidance&gt; rights the vehicle &amp; holds it." in text


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="Poppler's tools (pdffonts, pdftotext, pdfinfo) are not at hand")
def test_pdf_says_the_same_on_a4_with_fonts_embedded(tmp_path):
    """The words of the HTML are in the PDF; every page A4; the same bytes twice."""
    one, two = tmp_path / "one.pdf", tmp_path / "two.pdf"
    numbering = Numbering()
    html_of(short(), shot(), numbering=numbering)
    write_pdf(short(), shot(), one)
    write_pdf(short(), shot(), two, numbering=numbering)  # as the command does: the captions are known from the HTML
    assert one.read_bytes() == two.read_bytes()
    said = subprocess.run(["pdftotext", "-raw", one, "-"], capture_output=True, text=True, check=True).stdout
    words = set(" ".join(said.split()).replace("- ", "-").split())
    wanted = set(
        plain(re.sub(r"<svg.*?</svg>|<nav.*?</nav>|<head>.*?</head>|<p class=.words.>.*?</p>", " ", page(), flags=re.DOTALL)).split()
    )
    assert {word for word in wanted - words if len(word) < 30} == set()  # longer ones (hash) are cut at the margin
    fonts = subprocess.run(["pdffonts", one], capture_output=True, text=True, check=True).stdout.splitlines()[2:]
    assert all(row.split()[-5] == "yes" for row in fonts)
    info = subprocess.run(["pdfinfo", one], capture_output=True, text=True, check=True).stdout
    assert "A4" in info
    assert COMMAND in info


def test_nothing_is_left_alone_at_the_foot_of_a_page(tmp_path):
    """A heading goes with the first rows of its table and with its finding, a finding is not cut in two; the browser is told so too."""
    table, finding = Table(("a", "b"), (("1", "2"),) * 4), Paragraph("ember " * 90, lead="Found.", mood="warning")
    for what in (table, finding):
        for n in (34, 35, 36):  # after the last of them only the heading would still fit
            blocks = (*([Paragraph("filling")] * n), Heading("The heading", 2), what)
            path = tmp_path / "r.pdf"
            write_pdf(Report("t", "s", blocks), shot(), path)
            pages = subprocess.run(["pdftotext", "-layout", path, "-"], capture_output=True, text=True, check=True).stdout.split("\f")
            at = next(page for page in pages if "The heading" in page)
            below = at.split("The heading")[1]
            assert ("1" in below.split("Plumbline")[0]) if what is table else below.count("ember") == 90
    assert "break-after: avoid" in page()


def test_numbers_below_zero_have_a_minus_and_commands_keep_their_hyphens():
    """Words, dates, file names and options are left alone."""
    said = "-0.36 ± 0.01, (-3 to -1 s), jump -.5; 2026-11-25 z-axis run-2 --from -1"
    assert true_minus(said) == "−0.36 ± 0.01, (−3 to −1 s), jump −.5; 2026-11-25 z-axis run-2 --from −1"
    assert not re.search(r"[\s(>]-\d", plain(re.sub(r"<svg.*?</svg>", "", page(), flags=re.DOTALL)).split("How this report was made")[-2])
    last = made("plumbline report a.csv --pad-azimuth -30")
    assert "--pad-azimuth -30" in plain(html_of(dataclasses.replace(short(), blocks=last), shot()))


def made(command):
    return report_of(ReportRequest(shot(), Review(), JOB, command)).blocks[-2:]


def test_text_is_wrapped_inside_its_column():
    """Widths against the renderer's own; words longer than a line are cut; tables fit the page."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    words = "Tilt at burnout 3.04 ± 0.57 deg; a_word_that_is_longer_than_any_line_could_ever_be_" + "x" * 60
    with style("two-column"):
        own = text_to_path.get_text_width_height_descent(words, FontProperties(family="DejaVu Sans", size=10.0), ismath=False)[0]
    assert width_mm(words, 10.0) == pytest.approx(own * 25.4 / 72, rel=0.02)
    lines = wrapped(words, 50.0, 8.5, first_mm=20.0)
    assert "".join(lines).replace(" ", "") == words.replace(" ", "")
    assert width_mm(lines[0], 8.5) <= 30.0
    assert all(width_mm(line, 8.5) <= 50.0 for line in lines)
    assert sum(column_widths([("a", "b", "c"), ("x" * 200, "short", "y" * 300)], 8.0)) == pytest.approx(WIDTH_MM, abs=0.1)


@pytest.mark.skipif(shutil.which("chromium") is None, reason="headless Chromium (chromium) is not at hand")
def test_html_opens_in_chromium_without_network_or_errors(tmp_path):
    """Served by us, so that every request is seen: one, for the page itself; nothing on the console; the figures have a size."""
    # Chromium writes the page out at its load event: an image held back by the server keeps that event until the boxes are measured
    probe = """<script>addEventListener("DOMContentLoaded", async () => {
      await Promise.all([...document.fonts].map(face => face.load()));
      const boxes = [...document.querySelectorAll("figure svg")].map(s => Math.round(s.getBoundingClientRect().height));
      document.title = JSON.stringify({boxes, fonts: document.fonts.size, wide: document.documentElement.scrollWidth <= innerWidth});
      fetch("/measured"); });</script><link rel="icon" href="data:,">"""
    # the probe needs a script, which the report's own policy forbids: that line alone is taken out for it
    asked = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', probe, page()).replace(
        "</body>", '<img src="/held" alt="" width="0" height="0"></body>'
    )
    (tmp_path / "report.html").write_text(page(), encoding="utf-8")
    (tmp_path / "probe.html").write_text(asked, encoding="utf-8")
    requests = []
    measured = threading.Event()

    class Handler(http.server.SimpleHTTPRequestHandler):
        def __init__(self, *args):
            super().__init__(*args, directory=str(tmp_path))

        def do_GET(self):
            if self.path == "/measured":
                measured.set()
            if self.path == "/held":
                measured.wait(timeout=60)
            if self.path in ("/held", "/measured"):
                self.send_response(204)
                self.end_headers()
            else:
                super().do_GET()

        def log_message(self, *args):
            requests.append(self.path)

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        run = functools.partial(_chromium, tmp_path, server.server_port)
        _, errors = run("report.html", "--print-to-pdf=" + str(tmp_path / "printed.pdf"))
        assert requests == ["/report.html"]
        dom, more = run("probe.html", "--dump-dom")
    finally:
        server.shutdown()
        server.server_close()
    assert requests[:2] == ["/report.html", "/probe.html"]
    assert sorted(requests[2:]) == ["/held", "/measured"]
    assert re.findall(r"CONSOLE.*", errors + more) == []
    assert (tmp_path / "printed.pdf").stat().st_size > 20_000
    title = html.unescape(re.search(r"<title>(.*?)</title>", dom)[1])
    boxes = [int(n) for n in re.search(r'"boxes":\[([\d,]*)\]', title)[1].split(",")]
    assert len(boxes) == len(FEW)
    assert all(200 < box < 900 for box in boxes)
    assert '"wide":true' in title


def _chromium(folder, port, name, *what):
    flags = [
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--no-first-run",
        "--disable-background-networking",
        "--disable-component-update",
    ]
    flags += ["--disable-sync", "--enable-logging=stderr", "--v=0", f"--user-data-dir={folder / 'profile'}", "--no-pdf-header-footer"]
    command = ["chromium", *flags, *what, f"http://127.0.0.1:{port}/{name}"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
    return done.stdout, done.stderr
