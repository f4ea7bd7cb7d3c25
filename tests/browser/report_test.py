"""Must hold: the report's page draws every plot without a complaint or a request, fits a phone and a desk, reads values
out under pointer and keys, and keeps harm in a file's text from becoming anything but text.

    report_test.py --pages REPORT_PAGES --browser CHROMIUM [--pictures FOLDER]
"""

import argparse
import math
import os
import re
import sys
import tempfile
import unittest

sys.dont_write_bytecode = True  # nothing of ours among the sources
from devtools import Browser, Tab

WIDTHS = (390, 1280)
HOSTILE = "</script><script>window.harmed=1</script><img src=x onerror=\"window.harmed=2\">'\"&amp;{{data}}`<!--"

# Each plot by name: its curves without a finite value, without a place in the plot, and whose colour is nowhere in it.
PLOTS = """(() => Object.fromEntries([...document.querySelectorAll('figure[data-plot]')].map((figure) => {
  const chart = window.report.charts[figure.dataset.plot], canvas = figure.querySelector('.frame canvas');
  if (!chart || Chart.getChart(canvas) !== chart) return [figure.dataset.plot, null];
  const {data: pixels} = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height);
  const painted = (colour) => {
    const [r, g, b] = [1, 3, 5].map((at) => parseInt(colour.slice(at, at + 2), 16));
    const near = (n, of) => Math.abs(pixels[n] - of) < 13;  // smoothed edges
    for (let n = 0, found = 0; n < pixels.length; n += 4)
      if (near(n, r) && near(n + 1, g) && near(n + 2, b) && pixels[n + 3] > 100 && ++found > 5) return true;
    return false;
  };
  const {left, right, top, bottom} = chart.chartArea, faults = [], sets = chart.data.datasets;
  sets.forEach((set, n) => {
    if (!set.data.some(({y}) => Number.isFinite(y)) && !set.silent) faults.push(set.label + ': no values');
    if (set.data.length && !chart.getDatasetMeta(n).data.some(
        ({x, y, skip}) => !skip && x >= left - 1 && x <= right + 1 && y >= top - 1 && y <= bottom + 1))
      faults.push(set.label + ': no place');
    if (set.borderWidth !== 0 && set.data.length && !painted(set.borderColor)) faults.push(set.label + ': not painted');
  });
  return [figure.dataset.plot, {curves: sets.length, faults}];
})))()"""


def frame(name):
    return f"document.querySelector('figure[data-plot=\"{name}\"] .frame')"


def read_out(tab, name):
    return tab.eval(f"document.querySelector('figure[data-plot=\"{name}\"] .read-out').textContent")


class Report(unittest.TestCase):
    def tab(self, page, width):
        tab = Tab(browser, os.path.join(pages, page), width)
        self.addCleanup(tab.__exit__)
        return tab

    def test_every_plot_is_drawn_at_every_width_and_nothing_complains(self):
        for page, tracks in (("falls.html", 10), ("holds.html", 0), ("hostile.html", 5)):
            for width in WIDTHS:
                with self.subTest(page=page, width=width):
                    tab = self.tab(page, width)
                    plots = tab.eval(PLOTS)
                    self.assertEqual(len(plots), 4 + tracks)
                    for name, plot in plots.items():
                        self.assertIsNotNone(plot, name)
                        self.assertEqual(plot["faults"], [], name)
                        self.assertGreater(plot["curves"], 2, name)
                    self.assertLessEqual(tab.eval("document.documentElement.scrollWidth"), width)
                    self.assertEqual(tab.complaints(), [])
                    if pictures:
                        tab.picture(os.path.join(pictures, f"{page}-{width}.png"))

    def test_crossover_points_are_marked_before_anything_is_touched(self):
        tab = self.tab("falls.html", 1280)
        for name in ("magnitude", "phase", "delay"):
            for hz in (100, 1500):
                red, alpha = tab.eval(f"""(() => {{
                    const chart = window.report.charts['{name}'];
                    const x = Math.round(chart.scales.x.getPixelForValue({hz})), y = Math.round(chart.chartArea.top) + 3;
                    const [red, , , alpha] = chart.ctx.getImageData(x, y, 1, 1).data;
                    return [red, alpha];
                }})()""")
                self.assertLess(red, 60, name)
                self.assertGreater(alpha, 200, name)

    def test_a_planted_error_and_a_planted_request_are_seen(self):
        with open(os.path.join(pages, "holds.html"), encoding="utf-8") as stream:
            html = re.sub(r"<meta http-equiv=[^>]*>", "", stream.read(), 1)
        for plant, seen in (("<script>throw new Error('planted')</script>", "exception: .*planted"),
                            ("<script>console.error('planted')</script>", "console: .*planted"),
                            ("<img src='http://127.0.0.1:9/x.png'>", "request: http://127.0.0.1:9/x.png")):
            with open(os.path.join(pages, "planted.html"), "w", encoding="utf-8") as stream:
                stream.write(html.replace("</body>", plant + "</body>"))
            self.assertRegex("\n".join(self.tab("planted.html", 1280).complaints()), seen)

    def test_no_request_can_be_made(self):
        tab = self.tab("holds.html", 1280)
        self.assertEqual(tab.eval("fetch('http://127.0.0.1:9/').then(() => 'sent', (error) => 'refused')"), "refused")
        self.assertIn("Content Security Policy", "\n".join(tab.complaints()))

    def test_the_pointer_reads_out_the_nearest_value(self):
        for width in WIDTHS:
            tab = self.tab("falls.html", width)
            for name in tab.eval("Object.keys(window.report.charts)"):
                with self.subTest(width=width, plot=name):
                    tab.eval(frame(name) + ".scrollIntoView({block: 'center', behavior: 'instant'})")
                    area = tab.eval(f"""(() => {{
                        const chart = window.report.charts['{name}'], box = chart.canvas.getBoundingClientRect();
                        const {{left, right, top, bottom}} = chart.chartArea;
                        return {{left: box.left + left, right: box.left + right, y: box.top + (top + bottom) / 2}};
                    }})()""")
                    tab.point_at(area["left"] + 0.3 * (area["right"] - area["left"]), area["y"])
                    said = read_out(tab, name)
                    if name in ("magnitude", "phase", "delay"):
                        hz = 20 * 1000 ** 0.3  # the axis runs from 20 Hz to 20 kHz: 158.9 Hz; the grid is fine to 1.5 %
                        self.assertAlmostEqual(float(re.match(r"([\d.]+) Hz: ", said)[1]) / hz, 1, delta=0.015)
                    if name == "magnitude":
                        # |1 / (1 + (f / 100 Hz)^4)| in dB, from the formula of a Linkwitz-Riley low-pass of 24 dB/oct.
                        sub = float(re.search(r"sub \u2212([\d.]+) dB", said)[1])
                        self.assertAlmostEqual(sub, 20 * math.log10(1 + (hz / 100) ** 4), delta=0.7)
                        self.assertRegex(said, r"sum (\u2212)?0\.0 dB")
                    if name == "volts":
                        self.assertRegex(said, r"^mid\.left: .*limit 84\.0 V")  # the second of five
                    if name.startswith("track"):
                        self.assertRegex(said, r"^0:5[34]\.\d\d: greatest [\d.]+ V, least \u2212[\d.]+ V, peak limiter")
                    self.assertEqual(tab.eval(f"window.report.charts['{name}'].tooltip.opacity"), 1)
                    self.assertTrue(tab.eval(f"window.report.charts['{name}'].tooltip.body.length"))
                    tab.point_at(1, 1)
                    self.assertEqual(read_out(tab, name), "")
            self.assertEqual(tab.complaints(), [])

    def test_keys_move_the_read_out(self):
        tab = self.tab("falls.html", 390)
        for name in ("magnitude", "volts", "track 0 1"):
            with self.subTest(plot=name):
                tab.eval(frame(name) + ".focus()")
                now = lambda: int(tab.eval(frame(name) + ".getAttribute('aria-valuenow')"))
                last = int(tab.eval(frame(name) + ".getAttribute('aria-valuemax')"))
                self.assertGreater(last, 3)
                for key, place in (("ArrowRight", 0), ("ArrowRight", 1), ("ArrowLeft", 0), ("ArrowLeft", 0), ("End", last),
                                   ("ArrowRight", last), ("Home", 0), ("PageUp", max(1, round(last / 20)))):
                    tab.press(key)
                    self.assertEqual(now(), place, key)
                    self.assertRegex(read_out(tab, name), r": .*\d")
                    self.assertEqual(tab.eval(frame(name) + ".getAttribute('aria-valuetext')"), read_out(tab, name))
                tab.press("Escape")
                self.assertEqual(read_out(tab, name), "")
        # One cursor for the plots of a group, and for no others.
        tab.eval(frame("phase") + ".focus()")
        tab.press("End")
        self.assertRegex(read_out(tab, "magnitude"), "^20 kHz: ")
        self.assertEqual(read_out(tab, "volts"), "")
        self.assertEqual(tab.complaints(), [])

    def test_the_tab_key_reaches_every_control_and_shows_where_it_is(self):
        tab = self.tab("falls.html", 1280)
        wanted = tab.eval("""(() => {
            window.controls = [...document.querySelectorAll('a[href], button, [tabindex="0"]')];
            return window.controls.length;
        })()""")
        reached = set()
        for _ in range(wanted + 5):
            tab.press("Tab")
            at, outline = tab.eval("""[window.controls.indexOf(document.activeElement),
                                       getComputedStyle(document.activeElement).outlineStyle]""")
            if at >= 0:
                reached.add(at)
                self.assertEqual(outline, "solid")
        self.assertEqual(len(reached), wanted)

    def test_a_curve_is_put_away_and_fetched_back_by_its_button(self):
        tab = self.tab("falls.html", 1280)
        button = "[...document.querySelectorAll('figure[data-plot=\"magnitude\"] .legend button')]"
        self.assertEqual(tab.eval(button + ".map((one) => one.textContent)"),
                         ["sub", "mid", "high", "sum", "sum, warm or cold, drivers apart"])
        tab.eval("window.report.cursor('magnitude', 100)")
        for there in (False, True):
            tab.eval(button + "[0].focus()")
            tab.press("Enter")
            self.assertEqual(tab.eval(button + "[0].getAttribute('aria-pressed')"), str(there).lower())
            self.assertEqual("sub " in read_out(tab, "magnitude"), there)

    def test_harm_in_a_file_stays_text(self):
        for width in WIDTHS:
            tab = self.tab("hostile.html", width)
            self.assertEqual(tab.eval("typeof window.harmed"), "undefined")
            self.assertEqual(tab.eval("document.querySelectorAll('img, iframe, object').length"), 0)
            self.assertEqual(tab.eval("document.scripts.length"), 3)
            self.assertEqual(tab.eval("document.querySelector('h1').textContent"), HOSTILE)
            self.assertIn(HOSTILE, tab.eval("document.title"))
            self.assertTrue(tab.eval("window.report.cursor('volts', 0)").startswith(HOSTILE))
            self.assertEqual(tab.eval("typeof window.harmed"), "undefined")

    def test_it_can_be_printed(self):
        tab = self.tab("falls.html", 1280)
        paper = tab.printed()
        self.assertTrue(paper.startswith(b"%PDF"))
        self.assertIn(b"/MediaBox [0 0 594.95", paper)  # A4 is 595 points wide
        if pictures:
            with open(os.path.join(pictures, "falls.pdf"), "wb") as stream:
                stream.write(paper)


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--pages", required=True, help="the program that writes the pages")
    parser.add_argument("--browser", required=True)
    parser.add_argument("--pictures", help="a folder for pictures of the pages, to be looked at")
    arguments, rest = parser.parse_known_args()
    if not os.access(arguments.browser, os.X_OK):
        sys.exit(f"report_test: {arguments.browser} is no program; .ci/install test installs chromium")
    pictures = arguments.pictures
    with tempfile.TemporaryDirectory() as pages, Browser(arguments.browser) as browser:
        if os.spawnv(os.P_WAIT, arguments.pages, [arguments.pages, pages]) != 0:
            sys.exit("report_test: the pages could not be written")
        unittest.main(argv=[sys.argv[0], *rest], exit=True)
