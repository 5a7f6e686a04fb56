"""The pages in a real browser, beside a bare page that puts the same bytes on the screen.

Chromium on a server of its own process: slider to redrawn figures at the desk and with the CPU
slowed four times, bands after the hand rests, first page cold, script shipped, and memory over
200 page loads. Milliseconds are the promise; the ratios travel from machine to machine.
"""

from __future__ import annotations

import shutil
import statistics
import tempfile
import urllib.request
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

from keyturn.web.shipped import shipped, squeezed
from report import Report
from serving import PACKAGE, bare, serving

CAR = "pickup-screw"
TURNS, LOADS, COLD = 40, 200, 5
FIRST_LOOK = 60  # page loads after which memory is looked at first, as at the last: bands drawn
SERVE = """
import sys, uvicorn
from pathlib import Path
from keyturn.web.app import create_app
from keyturn.web.config import Config
port = int(sys.argv[2])
if __name__ == "__main__":
    uvicorn.run(create_app(Config(Path(sys.argv[1]), port=port)), port=port, log_level="error")
"""
# when the map stands on the page for the first time
FIRST = """
new MutationObserver((_, eye) => {
  if (!document.querySelector('#envelope .drawing svg')) return;
  eye.disconnect();
  requestAnimationFrame(() => { window.usableAt = performance.now(); });
}).observe(document, {childList: true, subtree: true});
"""
SLIDE = """async (turns) => {
  const box = document.querySelector('[data-key="regulator.set.value"] input');
  const map = document.querySelector('#envelope .drawing');
  const took = [];
  for (const value of turns) {
    const start = performance.now();
    const drawn = new Promise((done) => new MutationObserver((_, eye) => {
      eye.disconnect();
      requestAnimationFrame(() => setTimeout(done, 0));
    }).observe(map, {childList: true}));
    box.value = value;
    box.dispatchEvent(new Event('input', {bubbles: true}));
    await drawn;
    took.push(performance.now() - start);
  }
  const rested = performance.now();
  box.dispatchEvent(new Event('change', {bubbles: true}));
  const stamp = document.querySelector('#stamp');
  await new Promise((done) => {
    const eye = new MutationObserver(() => {
      if (stamp.classList.contains('waits')) return;
      eye.disconnect();
      requestAnimationFrame(() => setTimeout(done, 0));
    });
    eye.observe(stamp, {attributes: true});
  });
  return {took, bands: performance.now() - rested};
}"""
BARE = """<!doctype html><meta charset="utf-8"><title>bare</title>
<div id="envelope"></div><div id="headroom"></div>
<script>
window.slide = async (turns) => {
  const took = [];
  for (let n = 0; n < turns; n++) {
    const start = performance.now();
    const row = await (await fetch('/bytes?' + n)).json();
    for (const [name, drawing] of Object.entries(row.figures)) {
      (document.getElementById(name) ?? document.body).innerHTML = drawing;
    }
    await new Promise((done) => requestAnimationFrame(() => setTimeout(done, 0)));
    took.push(performance.now() - start);
  }
  return took;
};
</script>"""


def run(report: Report) -> None:
    from playwright.sync_api import sync_playwright

    plain = sum(len(data) for name, data in shipped().items() if name.endswith(".js"))
    scripts = sum(len(data) for name, data in squeezed().items() if name.endswith(".js"))
    print(f"script of all pages {plain / 1e3:.0f} kB, {scripts / 1e3:.0f} kB as it travels")
    report.want("web: script shipped, all pages [kB]", scripts / 1e3, "<=", 150.0)
    chromium = next(p for n in ("chromium", "chromium-browser") if (p := shutil.which(n)))
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as machine:
        shutil.copytree(PACKAGE / "examples" / CAR, Path(folder) / CAR)
        browser = machine.chromium.launch(
            executable_path=chromium,
            args=[
                "--no-sandbox",
                "--disable-gpu",
                "--disable-dev-shm-usage",
                "--enable-precise-memory-info",
            ],
        )
        try:
            with _server(Path(folder)) as (url, server), _bare(url) as bare:
                _cold(report, browser, url, Path(folder) / CAR / "build.toml")
                for name, rate in (("desk", 1), ("slowed x4", 4)):
                    _slide(report, browser, url, bare, name, rate)
                _soak(report, browser, url, server)
        finally:
            browser.close()


def _server(folder: Path) -> AbstractContextManager[tuple[str, int]]:
    return serving(folder, SERVE, f"/api/car/{CAR}/check?samples=400")


def _bare(url: str) -> AbstractContextManager[str]:
    """A server without an application: the same bytes, known beforehand."""
    asked = "width=720&figures=envelope,headroom&set=regulator.set.value=299%20kPa"
    body = urllib.request.urlopen(f"{url}/api/car/{CAR}/check/view?{asked}", timeout=20).read()
    return bare(BARE.encode(), body, "application/json")


def _cold(report: Report, browser: Any, url: str, file: Path) -> None:
    """A browser that has seen nothing, a build that the server has not answered yet."""
    for name, rate, limit in (("desk", 1, 0.5), ("slowed x4", 4, 1.0)):
        seen = []
        for _ in range(COLD):
            file.write_text(file.read_text(encoding="utf-8") + "\n", encoding="utf-8")
            context = browser.new_context(viewport={"width": 1440, "height": 900})
            context.add_init_script(FIRST)
            page = context.new_page()
            _slow(context, page, rate)
            page.goto(f"{url}/car/{CAR}/check", wait_until="commit")
            page.locator("#envelope .drawing svg").wait_for()
            page.wait_for_timeout(60)
            seen.append(page.evaluate("window.usableAt") / 1e3)
            page.locator("#stamp:not(.waits)").wait_for()
            context.close()
        _say(f"first page cold, {name}", seen)
        report.want(f"web: first page cold, {name} [s]", statistics.median(seen), "<=", limit)


def _slide(report: Report, browser: Any, url: str, bare: str, name: str, rate: int) -> None:
    context = browser.new_context(viewport={"width": 1440, "height": 900})
    page = context.new_page()
    page.goto(f"{url}/car/{CAR}/check")
    page.locator("#stamp:not(.waits)").wait_for()
    _slow(context, page, rate)
    took, bands = [], []
    every = [value for value in range(200, 601, 5) if value != 300]  # the build has 300
    mine = every[:TURNS] if rate == 1 else every[TURNS:]  # nothing that the server kept
    for batch in range(4):
        found = page.evaluate(SLIDE, mine[batch::4])
        took += [v / 1e3 for v in found["took"]]
        bands.append(found["bands"] / 1e3)
    page.goto(bare)
    plain = [v / 1e3 for v in page.evaluate("n => window.slide(n)", TURNS)]
    context.close()
    _say(f"slider to figures, {name}", took)
    _say(f"bands after the hand rests, {name}", bands)
    _say(f"bare page, same bytes, {name}", plain)
    limit = 0.1 if rate == 1 else 0.2
    report.want(f"web: slider to figures, {name}, p95 [s]", _p95(took), "<=", limit)
    report.want(f"web: bands after rest, {name}, median [s]", statistics.median(bands), "<=", 0.5)
    ratio = statistics.median(took) / statistics.median(plain)
    report.want(f"web: slider over bare page, {name}, ratio of medians", ratio, "<=", 8.0)


def _soak(report: Report, browser: Any, url: str, server: int) -> None:
    """Memory over many page loads: the second half must not need more than the first."""
    context = browser.new_context(viewport={"width": 390, "height": 844})
    page = context.new_page()
    session = context.new_cdp_session(page)
    session.send("Performance.enable")
    seen: dict[int, tuple[float, float]] = {}
    for number in range(1, LOADS + 1):
        page.goto(f"{url}/car/{CAR}/check", wait_until="domcontentloaded")
        if number % 20 == 0 or number < 3:
            page.locator("#stamp:not(.waits)").wait_for()
        if number in (FIRST_LOOK, LOADS):
            session.send("HeapProfiler.collectGarbage")
            rows = session.send("Performance.getMetrics")["metrics"]
            heap = next(row["value"] for row in rows if row["name"] == "JSHeapUsedSize")
            seen[number] = (_memory(server), heap / 1e6)
    context.close()
    (rss_first, heap_first), (rss_last, heap_last) = seen[FIRST_LOOK], seen[LOADS]
    print(
        f"server {rss_first:.0f} to {rss_last:.0f} MB,"
        f" script heap {heap_first:.2f} to {heap_last:.2f} MB"
    )
    report.want("web: server memory, load 200 over load 60", rss_last / rss_first, "<=", 1.05)
    report.want("web: script heap, load 200 over load 60", heap_last / heap_first, "<=", 1.1)


def _slow(context: Any, page: Any, rate: int) -> None:
    context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": rate})


def _memory(process: int) -> float:
    """Resident memory of a process [MB]."""
    rows = Path(f"/proc/{process}/status").read_text(encoding="utf-8").splitlines()
    return next(float(row.split()[1]) / 1e3 for row in rows if row.startswith("VmRSS"))


def _p95(values: list[float]) -> float:
    return sorted(values)[max(0, round(0.95 * len(values)) - 1)]


def _say(name: str, values: list[float]) -> None:
    middle, high = statistics.median(values) * 1e3, _p95(values) * 1e3
    print(f"{name:<44} p50 {middle:8.1f} ms  p95 {high:8.1f} ms  n {len(values)}", flush=True)
