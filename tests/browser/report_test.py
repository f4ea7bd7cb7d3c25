"""Must hold: a page draws every plot without a complaint or a request, fits a phone and a desk, reads values
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


# Words of which one part stands on another line: letters and digits without a place to break between them.
BROKEN_WORDS = """(() => {
  const broken = [], walker = document.createTreeWalker(document.querySelector('body'), NodeFilter.SHOW_TEXT);
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    if (node.parentElement.closest('script, style, noscript, [hidden]')) continue;
    for (const {0: word, index} of node.data.matchAll(/[\\p{L}\\p{N}]{2,}/gu)) {
      const range = document.createRange();
      range.setStart(node, index);
      range.setEnd(node, index + word.length);
      const tops = new Set([...range.getClientRects()].filter(({width}) => width > 0.5).map(({top}) => Math.round(top)));
      if (tops.size > 1) broken.push(word);
    }
  }
  return broken;
})()"""

# Each table: whether it is wider than its place, and whether the page says so.
TABLES = """[...document.querySelectorAll('.wide')].map((wide) => {
  const place = wide.querySelector('.sideways'), said = wide.querySelector('.wider');
  return [place.scrollWidth > place.clientWidth, said.getClientRects().length > 0];
})"""

# What a plot looks like on paper: width over height, of its dots and of its place.
ON_PAPER = """(() => {
  window.dispatchEvent(new Event('beforeprint'));
  return [...document.querySelectorAll('.frame canvas')].map((canvas) => {
    const {width, height} = canvas.getBoundingClientRect();
    return [canvas.width / canvas.height, width / height, canvas.width / width];
  });
})()"""


class Pages(unittest.TestCase):
    def tab(self, page, width):
        tab = Tab(browser, os.path.join(pages, page), width)
        self.addCleanup(tab.__exit__)
        return tab

    def assert_drawn(self, page, width, wanted, least_curves):
        """Every plot with all of its curves, within the width, without a complaint."""
        tab = self.tab(page, width)
        plots = tab.eval(PLOTS)
        self.assertEqual(len(plots), wanted)
        for name, plot in plots.items():
            self.assertIsNotNone(plot, name)
            self.assertEqual(plot["faults"], [], name)
            self.assertGreaterEqual(plot["curves"], least_curves, name)
        self.assertLessEqual(tab.eval("document.documentElement.scrollWidth"), width)
        self.assertEqual(tab.complaints(), [])
        if pictures:
            tab.picture(os.path.join(pictures, f"{page}-{width}.png"))
        return tab

    def point_into(self, tab, name, share):
        """The pointer, `share` of the way along the x axis of a plot."""
        tab.eval(frame(name) + ".scrollIntoView({block: 'center', behavior: 'instant'})")
        area = tab.eval(f"""(() => {{
            const chart = window.report.charts['{name}'], box = chart.canvas.getBoundingClientRect();
            const {{left, right, top, bottom}} = chart.chartArea;
            return {{left: box.left + left, right: box.left + right, y: box.top + (top + bottom) / 2}};
        }})()""")
        tab.point_at(area["left"] + share * (area["right"] - area["left"]), area["y"])
        return read_out(tab, name)

    def assert_tab_reaches_all(self, tab):
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

    def assert_harmless(self, tab, plot):
        self.assertEqual(tab.eval("typeof window.harmed"), "undefined")
        self.assertEqual(tab.eval("document.querySelectorAll('img, iframe, object').length"), 0)
        self.assertEqual(tab.eval("document.scripts.length"), 3)
        self.assertEqual(tab.eval("document.querySelector('h1').textContent"), HOSTILE)
        self.assertIn(HOSTILE, tab.eval("document.title"))
        self.assertIn(HOSTILE, tab.eval(f"window.report.cursor('{plot}', 0)"))
        self.assertEqual(tab.eval("typeof window.harmed"), "undefined")

    def assert_printed(self, tab, name):
        paper = tab.printed()
        self.assertTrue(paper.startswith(b"%PDF"))
        self.assertIn(b"/MediaBox [0 0 594.95", paper)  # A4 is 595 points wide
        if pictures:
            with open(os.path.join(pictures, name), "wb") as stream:
                stream.write(paper)
        return paper


class Proof(Pages):
    def test_every_plot_is_drawn_at_every_width_and_nothing_complains(self):
        for page, tracks in (("falls.html", 10), ("holds.html", 0), ("hostile.html", 5), ("demo.html", 5)):
            for width in WIDTHS:
                with self.subTest(page=page, width=width):
                    self.assert_drawn(page, width, 4 + tracks, least_curves=3)

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
                    said = self.point_into(tab, name, 0.3)
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
                        self.assertRegex(said, r"^0:5[34]\.\d\d: greatest [\d.]+ V peak, least \u2212[\d.]+ V peak, peak limiter")
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
        self.assert_tab_reaches_all(self.tab("falls.html", 1280))

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
            self.assert_harmless(tab, "volts")
            self.assertTrue(tab.eval("window.report.cursor('volts', 0)").startswith(HOSTILE))

    def test_a_rating_says_that_it_is_rms_and_where_it_is_drawn(self):
        said = self.tab("falls.html", 1280).eval("window.report.cursor('volts', 1)")
        # The invented clip is 105.8 V peak; the rating's place 0.45 of it, stated as RMS: sqrt(2) below its sine's peak.
        self.assertIn("amplifier clip 106 V peak", said)
        self.assertIn("driver continuous 47.6 V RMS (a sine of 67.3 V peak)", said)

    def test_a_kind_of_rung_looks_the_same_on_every_page(self):
        looks = """window.report.charts.volts.data.datasets.map(
            ({label, borderColor, pointStyle}) => [label, borderColor, pointStyle])"""
        whole, fewer = (self.tab(page, 1280).eval(looks) for page in ("demo.html", "holds.html"))
        self.assertEqual(len(whole), 6)
        self.assertEqual(len({tuple(look[1:]) for look in whole}), 6)
        self.assertEqual(fewer, [look for look in whole if look[0] not in ("driver peak", "power limit")])

    def test_words_stay_whole_and_wide_tables_say_so(self):
        for page in ("falls.html", "demo.html"):
            for width in WIDTHS:
                with self.subTest(page=page, width=width):
                    tab = self.tab(page, width)
                    self.assertEqual(tab.eval(BROKEN_WORDS), [])
                    tables = tab.eval(TABLES)
                    self.assertTrue(tables)
                    for wider, said in tables:
                        self.assertEqual(said, wider)
                    if width == 390:
                        self.assertIn([True, True], tables)
        tab.eval("document.body.style.cssText = 'width: 60px; overflow-wrap: anywhere'")  # the control
        self.assertNotEqual(tab.eval(BROKEN_WORDS), [])

    def test_it_can_be_printed(self):
        self.assert_printed(self.tab("falls.html", 1280), "falls.pdf")

    def test_the_demo_takes_seven_sheets_at_most(self):
        for width in WIDTHS:
            paper = self.assert_printed(self.tab("demo.html", width), f"demo-{width}.pdf")
            sheets = len(re.findall(rb"/Type\s*/Page\b", paper))
            self.assertGreater(sheets, 3)
            self.assertLessEqual(sheets, 7)

    def test_plots_keep_their_proportions_on_paper(self):
        tab = self.tab("demo.html", 1280)
        tab.call("Emulation.setEmulatedMedia", media="print")
        plots = tab.eval(ON_PAPER)
        self.assertEqual(len(plots), 9)
        for dots, place, finer in plots:
            self.assertAlmostEqual(place / dots, 1, delta=0.01)
            self.assertGreater(finer, 1.5)  # than the screen, which is wider than paper here
        tab.call("Emulation.setEmulatedMedia", media="screen")
        tab.eval("window.dispatchEvent(new Event('afterprint'))")
        self.assertEqual(tab.eval(PLOTS)["magnitude"]["faults"], [])
        self.assertLessEqual(tab.eval("document.documentElement.scrollWidth"), 1280)


class Measurement(Pages):
    def test_every_plot_is_drawn_at_every_width_and_nothing_complains(self):
        # hostile-measured.html has three captures as well; phase and delay are one curve each.
        for page, captures in (("seat.html", 0), ("hall.html", 3), ("crowd.html", 12), ("hostile-measured.html", 3)):
            for width in WIDTHS:
                with self.subTest(page=page, width=width):
                    tab = self.assert_drawn(page, width, 4, least_curves=1)
                    curves = "window.report.charts.{}.data.datasets.length"
                    # With the two edges of what noise may have put it off.
                    self.assertEqual(tab.eval(curves.format("magnitude")), 3 + captures)
                    self.assertEqual(tab.eval(curves.format("coherence")), 2 + captures)

    def test_the_pointer_reads_out_the_nearest_value(self):
        for width in WIDTHS:
            tab = self.tab("hall.html", width)
            for name in ("magnitude", "phase", "delay", "coherence"):
                with self.subTest(width=width, plot=name):
                    said = self.point_into(tab, name, 0.25)
                    hz = 16 * (20400 / 16) ** 0.25  # the axis runs from 16 Hz to 20.4 kHz: 95.6 Hz
                    # The grid is 1/48 octave, 1.5 %; a pixel of the phone's axis is 2.5 %.
                    self.assertAlmostEqual(float(re.match(r"([\d.]+) Hz: ", said)[1]) / hz, 1, delta=0.03)
                    # A Butterworth high-pass of 12 dB/oct at 50 Hz; places at 0, -2 and -4 dB, whose mean is -1.70 dB.
                    r = hz / 50
                    level = -10 * math.log10(1 + r ** -4)
                    phase = math.degrees(math.atan2(math.sqrt(2) * r, r * r - 1))
                    if name == "magnitude":
                        found = re.search("average (\u2212?[\\d.]+) dB, place-1.wav (\u2212?[\\d.]+) dB, place-2.wav", said)
                        average, first = (float(one.replace("\u2212", "-")) for one in found.groups())
                        self.assertAlmostEqual(average, level - 1.70, delta=0.1)
                        self.assertAlmostEqual(first, level, delta=0.1)
                    if name == "phase":
                        self.assertAlmostEqual(float(re.search(r"average ([\d.]+)°", said)[1]), phase, delta=2.5)
                    if name == "delay":
                        w = 2 * math.pi * 50
                        delay = 1e3 * math.sqrt(2) / w * (1 + r * r) / (1 + r ** 4)
                        self.assertAlmostEqual(float(re.search(r"average ([\d.]+) ms", said)[1]), delay, delta=0.08 * delay)
                    if name == "coherence":
                        self.assertRegex(said, r"average 0\.97, place-1\.wav 0\.97")
                    self.assertEqual(tab.eval(f"window.report.charts['{name}'].tooltip.opacity"), 1)
                    self.assertTrue(tab.eval(f"window.report.charts['{name}'].tooltip.body.length"))
                    tab.point_at(1, 1)
                    self.assertEqual(read_out(tab, name), "")
            self.assertEqual(tab.complaints(), [])

    def test_phase_is_told_where_it_can_be(self):
        tab = self.tab("hall.html", 1280)
        for hz, told in ((18, False), (100, True), (345, False), (1000, True)):
            said = tab.eval(f"""window.report.cursor('phase', window.report.charts.phase.report.xs.findIndex((x) => x >= {hz}))""")
            self.assertEqual("nothing here" not in said, told, said)
            self.assertRegex(read_out(tab, "magnitude"), "average")  # there it always is

    def test_doubtful_stretches_are_hatched_before_anything_is_touched(self):
        tab = self.tab("hall.html", 1280)
        for hz, hatched in ((18, True), (130, False), (345, True), (3000, False)):
            # In the lowest tenth of the plot, where no curve is: shares of the pixels that are drawn at all.
            inked = tab.eval(f"""(() => {{
                const chart = window.report.charts.phase, at = chart.scales.x.getPixelForValue({hz});
                const {{top, bottom}} = chart.chartArea, high = Math.floor((bottom - top) / 10);
                const {{data}} = chart.ctx.getImageData(Math.round(at) - 4, Math.round(bottom) - high, 9, high - 3);
                return data.filter((value, n) => n % 4 === 3 && value > 60).length;
            }})()""")
            self.assertEqual(inked > 10, hatched, f"{hz} Hz: {inked}")

    def test_keys_move_the_read_out_of_all_four_plots(self):
        tab = self.tab("hall.html", 390)
        tab.eval(frame("coherence") + ".focus()")
        last = int(tab.eval(frame("coherence") + ".getAttribute('aria-valuemax')"))
        for key, place in (("ArrowRight", 0), ("PageUp", round(last / 20)), ("End", last)):
            tab.press(key)
            for name in ("magnitude", "phase", "delay", "coherence"):
                self.assertEqual(int(tab.eval(frame(name) + ".getAttribute('aria-valuenow')")), place, name)
                self.assertEqual(tab.eval(frame(name) + ".getAttribute('aria-valuetext')"), read_out(tab, name))
        self.assertRegex(read_out(tab, "magnitude"), "^20.* kHz: ")
        tab.press("Escape")
        self.assertEqual(read_out(tab, "magnitude"), "")

    def test_the_tab_key_reaches_every_control_and_shows_where_it_is(self):
        self.assert_tab_reaches_all(self.tab("hall.html", 1280))

    def test_one_button_puts_a_crowd_away(self):
        tab = self.tab("crowd.html", 1280)
        button = "[...document.querySelectorAll('figure[data-plot=\"magnitude\"] .legend button')]"
        self.assertEqual(tab.eval(button + ".map((one) => one.textContent)"), ["average", "each capture", "noise"])
        visible = "window.report.charts.magnitude.getVisibleDatasetCount()"
        self.assertEqual(tab.eval(visible), 15)
        tab.eval(button + "[1].focus()")
        tab.press("Enter")
        self.assertEqual(tab.eval(visible), 3)
        self.assertRegex(tab.eval("window.report.cursor('magnitude', 200)"), r"average \u2212?[\d.]+ dB$")

    def test_harm_in_a_name_stays_text(self):
        for width in WIDTHS:
            self.assert_harmless(self.tab("hostile-measured.html", width), "magnitude")

    def test_it_can_be_printed(self):
        self.assert_printed(self.tab("hall.html", 1280), "hall.pdf")


class Comparison(Pages):
    def test_every_plot_is_drawn_at_every_width_and_nothing_complains(self):
        for page in ("differ.html", "hostile-compared.html"):
            for width in WIDTHS:
                with self.subTest(page=page, width=width):
                    tab = self.assert_drawn(page, width, 5, least_curves=1)
                    if page == "differ.html":
                        self.assertEqual(tab.eval(BROKEN_WORDS), [])
                    for wider, said in tab.eval(TABLES):
                        self.assertEqual(wider, said)

    def test_the_pointer_reads_both_rigs_and_their_difference(self):
        for width in WIDTHS:
            tab = self.tab("differ.html", width)
            share = math.log(500 / 20) / math.log(1000)  # where b has 3 dB more
            said = self.point_into(tab, "sum 0", share)
            a, b, apart = (float(re.search(name + r" (\u2212?[\d.]+) dB", said)[1].replace("\u2212", "-"))
                           for name in ("a", "b", "b less a"))
            self.assertAlmostEqual(apart, 3, delta=0.15)
            self.assertAlmostEqual(b - a, apart, delta=0.11)
            self.assertRegex(read_out(tab, "output 0"), "^5[01]\\d Hz|^49\\d Hz")  # one cursor for all
            self.assertEqual(tab.complaints(), [])

    def test_one_that_only_one_rig_has_is_drawn_alone(self):
        tab = self.tab("differ.html", 1280)
        self.assertEqual(tab.eval("window.report.charts['output 2'].data.datasets.map((set) => set.label)"), ["b"])

    def test_the_tab_key_reaches_every_control_and_shows_where_it_is(self):
        self.assert_tab_reaches_all(self.tab("differ.html", 1280))

    def test_harm_in_a_name_stays_text(self):
        for width in WIDTHS:
            tab = self.tab("hostile-compared.html", width)
            self.assertEqual(tab.eval("typeof window.harmed"), "undefined")
            self.assertEqual(tab.eval("document.querySelectorAll('img, iframe, object').length"), 0)
            self.assertEqual(tab.eval("document.scripts.length"), 3)
            self.assertIn(HOSTILE, tab.eval("document.querySelector('figure h3').textContent"))
            tab.eval("window.report.cursor('output 0', 3)")
            self.assertEqual(tab.eval("typeof window.harmed"), "undefined")

    def test_it_can_be_printed(self):
        self.assert_printed(self.tab("differ.html", 1280), "differ.pdf")


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
