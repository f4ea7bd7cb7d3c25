"""Must hold: the page of a rig that plays shows 20 readings a second, says when they are old, loads anew when another rig
runs, fits a phone and a desk, is read by keys and names, and answers nobody but itself.

    live_page_test.py --server LIVE_PAGE_SERVER --browser CHROMIUM [--pictures FOLDER]
"""

import argparse
import http.client
import os
import signal
import subprocess
import sys
import time
import unittest
from urllib.parse import urlsplit

sys.dont_write_bytecode = True  # nothing of ours among the sources
from devtools import Browser, Tab
from report_test import BROKEN_WORDS, PLOTS, WIDTHS

HOSTILE = "</script><script>window.harmed=1</script>"


class Served(unittest.TestCase):
    def setUp(self):
        self.server = subprocess.Popen([server], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self.connections = []
        self.addCleanup(self.end)
        self.address = self.server.stdout.readline().strip()
        self.port, self.path = urlsplit(self.address).port, urlsplit(self.address).path

    def end(self):
        for connection in self.connections:
            connection.close()
        self.server.send_signal(signal.SIGCONT)
        self.server.stdin.close()
        self.assertEqual(self.server.wait(10), 0)
        self.server.stdout.close()

    def say(self, line):
        self.server.stdin.write(line + "\n")
        self.server.stdin.flush()

    def tab(self, width):
        tab = Tab(browser, self.address, width)
        self.addCleanup(tab.__exit__)
        return tab

    def until(self, tab, expression, what, limit_s=10):
        began = time.monotonic()
        while not tab.eval(expression):
            self.assertLess(time.monotonic() - began, limit_s, what)
            time.sleep(0.05)
        return time.monotonic() - began

    def ask(self, path, method="GET", **headers):
        """Status and words. The connection stays open where events come."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=10)
        self.connections.append(connection)
        connection.putrequest(method, path, skip_host="Host" in headers)
        for name, value in headers.items():
            connection.putheader(name.replace("_", "-"), value)
        connection.endheaders()
        answer = connection.getresponse()
        return answer.status, answer


class Page(Served):
    def test_meters_plots_and_words_at_every_width(self):
        for width in WIDTHS:
            with self.subTest(width=width):
                tab = self.tab(width)
                self.until(tab, "window.live.readings > 10", "no readings")
                for name, plot in tab.eval(PLOTS).items():
                    self.assertIsNotNone(plot, name)
                    self.assertEqual(plot["curves"], 5)
                    # The last output is silent in heat, and equals another in its response.
                    faults = [fault for fault in plot["faults"] if not (name == "heat" and HOSTILE in fault)]
                    self.assertEqual([fault for fault in faults if "no values" in fault], [], name)
                self.assertLessEqual(tab.eval("document.documentElement.scrollWidth"), width)
                self.assertEqual(tab.eval(BROKEN_WORDS), [])
                self.assertEqual(tab.eval("typeof window.harmed"), "undefined")
                self.assertEqual(tab.eval("document.scripts.length"), 3)
                self.assertIn(HOSTILE, tab.eval("document.querySelector('header').textContent"))
                rows = tab.eval("[...document.querySelectorAll('.meters tbody tr')].map((row) => row.textContent)")
                self.assertEqual(len(rows), 5)
                self.assertRegex(rows[2], r"^high\.left[\d.]+402\.30\.052limiting$")
                self.assertRegex(rows[4], r"none0\.00\.0–open$")
                self.assertEqual(tab.eval("document.getElementById('totals').textContent"),
                                 "Missed cycles: 3. Bad samples at the inputs: 7.")
                requests = [c for c in tab.complaints() if not c.startswith("request: " + self.address)]
                self.assertEqual(requests, [])
                if pictures:
                    tab.picture(os.path.join(pictures, f"live-{width}.png"))

    def test_names_for_a_screen_reader(self):
        tab = self.tab(1280)
        self.until(tab, "window.live.readings > 10", "no readings")
        self.assertEqual(tab.eval("document.querySelectorAll('[role=meter]').length"), 5)
        self.assertEqual(tab.eval("document.querySelector('[role=meter]').getAttribute('aria-label')"),
                         "low.left, level in dB of the limit")
        self.assertRegex(tab.eval("document.querySelector('[role=meter]').getAttribute('aria-valuetext')"),
                         r"^[\d.]+ V peak of 40\.0$")
        self.assertEqual(tab.eval("""[...document.querySelectorAll('figure .frame')].every(
            (one) => one.tabIndex === 0 && one.getAttribute('aria-label').includes('read-out'))"""), True)
        tab.eval("document.querySelector('figure[data-plot=level] .frame').focus()")
        tab.press("End")
        self.assertRegex(tab.eval("document.querySelector('figure[data-plot=level] .read-out').textContent"),
                         r"^now: low\.left ")

    def test_twenty_readings_a_second(self):
        tab = self.tab(1280)
        self.until(tab, "window.live.readings > 5", "no readings")
        count, began = tab.eval("window.live.readings"), time.monotonic()
        time.sleep(2)
        rate = (tab.eval("window.live.readings") - count) / (time.monotonic() - began)
        self.assertGreater(rate, 10)  # 20 are sent; a busy machine may be late
        self.assertLess(rate, 30)

    def test_old_meters_say_so_and_come_back(self):
        tab = self.tab(390)
        self.until(tab, "document.getElementById('now-title').textContent.endsWith('Playing')", "not playing")
        self.server.send_signal(signal.SIGSTOP)
        self.until(tab, "document.getElementById('now-title').textContent.includes('meters are old')", "still young", 5)
        self.assertTrue(tab.eval("document.getElementById('now').classList.contains('falls')"))
        self.assertTrue(tab.eval("document.title.includes('meters are old')"))
        self.server.send_signal(signal.SIGCONT)
        self.until(tab, "document.getElementById('now').classList.contains('holds')", "still old", 10)

    def test_mutes_and_another_rig(self):
        tab = self.tab(1280)
        self.until(tab, "document.getElementById('now-title').textContent.endsWith('Playing')", "not playing")
        self.say("mute")
        self.until(tab, "document.getElementById('now-title').textContent.endsWith('All outputs are muted')", "not muted")
        tab.eval("window.before = true")
        self.say("other")
        self.until(tab, "window.before === undefined && window.live !== undefined", "not loaded anew")
        self.until(tab, "window.live.readings > 3", "no readings after it")


class Guards(Served):
    def test_the_page_itself_is_given(self):
        status, answer = self.ask(self.path)
        self.assertEqual(status, 200)
        self.assertIn(b"An invented rig", answer.read())
        self.assertEqual(answer.getheader("Cache-Control"), "no-store")
        self.assertEqual(answer.getheader("X-Frame-Options"), "DENY")

    def test_wrong_tokens_are_refused(self):
        token = self.path.strip("/")
        self.assertRegex(token, "^[0-9a-f]{32}$")
        other = ("0" if token[0] != "0" else "1") + token[1:]
        for path in ("/", f"/{other}/", f"/{token[:-1]}/", f"/{token}0/", f"/{other}/events", "//", f"/{token}", "/../"):
            self.assertEqual(self.ask(path)[0], 404, path)

    def test_strangers_are_refused(self):
        self.assertEqual(self.ask(self.path, Host="invented.example")[0], 421)
        self.assertEqual(self.ask(self.path, Host=f"invented.example:{self.port}")[0], 421)
        self.assertEqual(self.ask(self.path, Origin="http://invented.example")[0], 403)
        self.assertEqual(self.ask(self.path, Origin="null")[0], 403)
        self.assertEqual(self.ask(self.path, Sec_Fetch_Site="cross-site")[0], 403)
        self.assertEqual(self.ask(self.path, Sec_Fetch_Site="same-site")[0], 403)
        for site in ("same-origin", "none"):
            self.assertEqual(self.ask(self.path, Sec_Fetch_Site=site)[0], 200)
        self.assertEqual(self.ask(self.path, Host=f"localhost:{self.port}")[0], 200)

    def test_nothing_can_be_sent(self):
        for method in ("POST", "PUT", "DELETE", "OPTIONS", "HEAD"):
            self.assertEqual(self.ask(self.path, method=method, Content_Length="0")[0], 405, method)

    def test_a_fifth_reader_is_refused_and_a_place_becomes_free(self):
        readers = [self.ask(self.path + "events") for _ in range(4)]
        self.assertEqual([status for status, _ in readers], [200] * 4)
        self.assertTrue(readers[0][1].readline().startswith(b"data: {"))
        status, answer = self.ask(self.path + "events")
        self.assertEqual(status, 503)
        self.assertIn(b"close one", answer.read())
        readers[0][1].close()
        self.connections[0].close()
        deadline = time.monotonic() + 10
        while self.ask(self.path + "events")[0] != 200:
            self.assertLess(time.monotonic(), deadline)
            time.sleep(0.1)

    def test_it_listens_on_this_machine_alone(self):
        with open("/proc/net/tcp", encoding="ascii") as table:
            listening = [line.split()[1] for line in table if line.split()[3] == "0A"]
        own = [place for place in listening if int(place.split(":")[1], 16) == self.port]
        self.assertEqual(own, [f"0100007F:{self.port:04X}"])


if __name__ == "__main__":
    options = argparse.ArgumentParser()
    options.add_argument("--server", required=True)
    options.add_argument("--browser", required=True)
    options.add_argument("--pictures")
    known, rest = options.parse_known_args()
    server, pictures = known.server, known.pictures
    with Browser(known.browser) as browser:
        result = unittest.main(argv=[sys.argv[0], *rest], exit=False).result
    sys.exit(not result.wasSuccessful())
