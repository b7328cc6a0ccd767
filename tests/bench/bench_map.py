"""The packed map beside stock folium layers of the same data: bytes, build, first render, zoom and pan.

Run: python tests/bench/bench_map.py; the last table lies in map.txt. Stock is what folium offers for
such data: GeoJson for the links (style by flow, tooltip) and GeoJson with circle markers for the
stations, all columns as properties, drawn on canvas (``prefer_canvas``). Both pages carry their own
Leaflet, so that neither waits for a network, and run in one browser, one after the other.

Times in the browser are wall clock from navigation, or from the event, to the second animation frame
after the work; the packed page is opened three times and the middle one is told. Build is process CPU
time. The table ends with how busy the machine was: the browser's times grow with it, the shares hardly.
"""

from __future__ import annotations

import dataclasses
import os
import statistics
import sys
import tempfile
from pathlib import Path
from time import process_time

import folium
import geopandas as gpd
import numpy as np
from playwright.sync_api import Browser, sync_playwright

sys.path.insert(0, str(Path(__file__).parent.parent))
from made_town import town

from countmap.publish.content import MapContent
from countmap.publish.figure import OfflineFigure
from countmap.publish.map import render_map

SIZES = {"20 k + 5 k": (110, 110, 5_000), "50 k + 20 k": (174, 174, 20_000)}
OPENED = {"packed": 3, "stock": 1}  # a stock page of the larger size takes most of a minute
MOVES = 20
ARGUMENTS = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking"]
FIRST = """(() => {
  const ready = () => document.querySelector('#sheet') ? document.querySelector('#sheet[data-ready="true"]')
    : document.readyState === 'complete' && document.querySelector('.leaflet-pane canvas');
  const tick = () => ready()
    ? requestAnimationFrame(() => requestAnimationFrame(() => { document.documentElement.dataset.first = performance.now(); }))
    : requestAnimationFrame(tick);
  requestAnimationFrame(tick);
})()"""
# One event of each kind in turn, the whole network in sight to begin with; the reader's hand is
# stood in for by Leaflet's own entry for it, without the animation that would hide the work.
MOVING = """async (moves) => {
  const map = Object.entries(window).find(([name, value]) => name.startsWith('map_') && value && value.panBy)[1];
  const frames = () => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now()))));
  await frames();
  const zooms = [], pans = [];
  for (let k = 0; k < moves; k += 1) {
    let from = performance.now();
    map.setZoom(map.getZoom() + (k % 4 < 2 ? 1 : -1), { animate: false });
    zooms.push(await frames() - from);
    from = performance.now();
    map.panBy([k % 2 ? -160 : 160, k % 4 < 2 ? 90 : -90], { animate: false });
    pans.push(await frames() - from);
  }
  return { zooms, pans };
}"""


def content(rows: int, columns: int, stations: int) -> MapContent:
    """Return a made network of that size; link ids are as long and unalike as a road file's."""
    made = town(rows=rows, columns=columns, stations=stations, audience="internal", hostile=False)
    rng = np.random.default_rng(1)
    ways = rng.integers(10_000_000, 1_400_000_000, len(made.links))
    ids = dict(
        zip(made.links["link_id"], (f"w{way}-{way % 7}" for way in ways.tolist()), strict=True)
    )
    sources = made.stations["station_id"].to_numpy()
    flows = made.flows.assign(link_id=made.flows["link_id"].map(ids))
    inferred = flows["status"].isin(("inferred", "estimated", "measured"))
    near = rng.integers(0, len(sources) - 2, len(flows))
    flows["sources"] = np.where(inferred, [f"{sources[k]} {sources[k + 1]}" for k in near], "")
    return dataclasses.replace(
        made,
        links=made.links.assign(link_id=made.links["link_id"].map(ids)),
        flows=flows,
        stations=made.stations.assign(link_id=made.stations["link_id"].map(ids)),
        due=made.due.iloc[:0],
    )


def stock(made: MapContent) -> str:
    """Return the same figures as stock folium layers."""
    both = made.flows.pivot_table(
        index="link_id", columns="sense", values=["flow", "lower", "upper"], aggfunc="first"
    )
    both.columns = [f"{sense}_{name}" for name, sense in both.columns]
    first = made.flows.drop_duplicates("link_id").set_index("link_id")[
        ["status", "method", "sources"]
    ]
    links = made.links.join(both, on="link_id").join(first, on="link_id")
    annual = made.annual[(made.annual["year"] == made.year) & (made.annual["sense"] == "both")]
    points = made.stations.drop(columns=["link_id", "valid_from"]).merge(annual, on="station_id")
    points = gpd.GeoDataFrame(
        points, geometry=gpd.points_from_xy(points["lon"], points["lat"]), crs=4326
    )
    most = links["both_flow"].max()

    def style(feature: dict) -> dict:
        flow = feature["properties"]["both_flow"]
        known = flow is not None and not np.isnan(flow)
        return {"color": "#1f2937", "weight": 1 + 12 * np.sqrt(flow / most) if known else 1}

    west, south, east, north = made.links.total_bounds
    sheet = folium.Map(tiles=None, prefer_canvas=True)
    folium.GeoJson(
        links, style_function=style, tooltip=folium.GeoJsonTooltip(["name", "both_flow", "status"])
    ).add_to(sheet)
    folium.GeoJson(
        points,
        marker=folium.CircleMarker(radius=4, fill=True),
        tooltip=folium.GeoJsonTooltip(["name", "aadt", "status"]),
    ).add_to(sheet)
    sheet.fit_bounds([[south, west], [north, east]])
    return OfflineFigure("stock").add_child(sheet).get_root().render()


def watched(browser: Browser, path: Path, times: int) -> tuple[float, float, float]:
    """Return the page's first render, its median zoom and its median pan, ms."""
    firsts, zooms, pans = [], [], []
    for _ in range(times):
        context = browser.new_context(viewport={"width": 1280, "height": 800}, offline=True)
        page = context.new_page()
        page.add_init_script(FIRST)
        page.goto(path.as_uri(), timeout=300_000)
        page.wait_for_selector("html[data-first]", state="attached", timeout=300_000)
        firsts.append(float(page.get_attribute("html", "data-first")))
        moved = page.evaluate(MOVING, MOVES)
        zooms.append(statistics.median(moved["zooms"]))
        pans.append(statistics.median(moved["pans"]))
        context.close()
    return statistics.median(firsts), statistics.median(zooms), statistics.median(pans)


def details_bytes(page: str) -> int:
    """Return how much of the page is what only a station's panel reads."""
    begin = page.index('id="countmap-details">')
    return page.index("</script>", begin) - begin


def one(name: str, browser: Browser, folder: Path) -> list[str]:
    """Return the lines of one size: the layer that holds what stock holds, then the panel's part apart."""
    made = content(*SIZES[name])
    bare = dataclasses.replace(made, profiles={}, day_series={}, explanations={})
    rows = []
    for kind, render, shown in (("packed", render_map, bare), ("stock", stock, bare)):
        began = process_time()
        page = render(shown)
        seconds = process_time() - began
        path = folder / f"{kind}.html"
        path.write_text(page, encoding="utf-8")
        rows.append((path.stat().st_size / 1e6, seconds, *watched(browser, path, OPENED[kind])))
    lines = [
        f"{name}: {len(made.links):,} links, {len(made.stations):,} stations",
        f"{'':10}{'MB':>8}{'build s':>10}{'first ms':>10}{'zoom ms':>9}{'pan ms':>8}",
    ]
    for kind, row in zip(("packed", "stock"), rows, strict=True):
        lines.append(
            f"{kind:10}{row[0]:8.2f}{row[1]:10.2f}{row[2]:10.0f}{row[3]:9.0f}{row[4]:8.0f}"
        )
    shares = [a / b for a, b in zip(*rows, strict=True)]
    lines.append(
        f"{'share':10}{shares[0]:8.2f}{shares[1]:10.2f}{shares[2]:10.2f}{shares[3]:9.2f}{shares[4]:8.2f}"
    )
    began = process_time()
    apart = details_bytes(render_map(made))
    lines.append(
        f"with the panel's details, apart: {apart / len(made.stations):.0f} bytes a station, "
        f"{apart / 1e6:.2f} MB; built in {process_time() - began:.2f} s"
    )
    return lines


def main() -> None:
    """Print the table and keep it."""
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        path = os.environ.get("CHROMIUM", "/usr/bin/chromium")
        browser = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
        tables = [one(name, browser, Path(folder)) for name in SIZES]
        browser.close()
    load, cores = os.getloadavg()[2], os.cpu_count()
    tables.append([f"load average of the last 15 minutes: {load:.1f} on {cores} cores"])
    text = "\n\n".join("\n".join(lines) for lines in tables)
    print(text)
    (Path(__file__).parent / "map.txt").write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
