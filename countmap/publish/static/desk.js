/* Where a corridor is picked: two boxes, or two places on the map; it draws the strip and the route. */
"use strict";

(() => {
  const { byId, el } = countmap;

  /** The desk of a sheet: {open, close, pick, place, rows, words}. */
  countmap.desk = (sheet) => {
    const { model, act } = sheet;
    const ends = [null, null];
    const inputs = [byId("strip-from"), byId("strip-to")];
    const put = (k, end) => { ends[k] = end; inputs[k].value = end ? end.name : ""; };
    let corridor = null, back = null, fresh = false;

    const station = (row) => ({ id: model.stations.station_id[row], name: model.named(row), link: model.stations.link[row], at: Number.isNaN(model.stations.link[row]) ? 0 : countmap.offset(model, row) });
    const link = (row) => ({ id: `link:${model.links.link_id[row]}`, name: model.links.name[row] || `Link ${model.links.link_id[row]}`, link: row, at: model.links.length_m[row] / 2 });
    const entry = ({ station: at, link: row }) => (at !== undefined ? station(at) : link(row));

    const hints = () => {
      if (!ends[0] && !ends[1]) return "Pick two stations or roads on the map, or name them above; the shortest way between them is drawn.";
      return ends[0] ? `From ${ends[0].name}. Pick where the corridor ends.` : "Pick where the corridor begins.";
    };

    function draw() {
      const body = byId("strip-body");
      countmap.clear(body);
      corridor = null;
      if (!ends[0] || !ends[1]) { body.append(el("p", {}, hints())); return; }
      const bare = ends.find((end) => Number.isNaN(end.link));
      if (bare) { body.append(el("p", {}, `${bare.name} stands on no road: place it first.`)); return; }
      const way = countmap.route(model, ...ends);
      if (!way) { body.append(el("p", {}, `No way leads from ${ends[0].name} to ${ends[1].name} in the senses that carry traffic. Swap them, or pick another place.`)); return; }
      corridor = countmap.corridor(model, way);
      fresh = true;
      const wide = byId("sheet").classList.contains("printing") ? 680 : Math.max(340, body.clientWidth - 34);
      body.append(...countmap.strip(model, corridor, { from: ends[0].name, to: ends[1].name, wide, act }));
    }

    /** Fit the sheet to the strip, and the map to a corridor that is new. */
    function settle() {
      sheet.settle();
      if (fresh && corridor) sheet.fitRoute(desk.rows());
      fresh = false;
    }

    function drawn() {
      draw();
      settle();
      sheet.remember();
    }

    function set(k, end) {
      put(k, end);
      drawn();
    }

    inputs.forEach((input, k) => countmap.finder(model, input, (found) => { set(k, entry(found)); if (k === 0 && !ends[1]) inputs[1].focus(); }));
    byId("strip-swap").addEventListener("click", () => {
      [...ends].reverse().forEach((end, k) => put(k, end));
      drawn();
    });

    const desk = {
      get shown() { return !byId("strip").hidden; },
      /** The rows of the links of the route, for the map. */
      rows: () => (corridor ? corridor.way.legs.map(({ row }) => row) : []),
      ids: () => ends.map((end) => end && end.id),
      open(from = null) {
        if (!desk.shown) back = document.activeElement;
        byId("strip").hidden = false;
        byId("sheet").classList.add("with-strip");
        byId("show-strip").setAttribute("aria-pressed", "true");
        if (from !== null) { put(1, null); set(0, station(from)); }
        else drawn();
        if (!byId("sheet").classList.contains("printing")) inputs[ends[0] ? 1 : 0].focus({ preventScroll: true });
        settle();
      },
      close() {
        byId("strip").hidden = true;
        byId("sheet").classList.remove("with-strip");
        byId("show-strip").setAttribute("aria-pressed", "false");
        sheet.settle();
        sheet.remember();
        (back && back.isConnected ? back : byId("show-strip")).focus({ preventScroll: true });
      },
      /** A place taken on the map: the start, then the end; a third begins anew. */
      pick(kind, row) {
        const end = kind === "station" ? station(row) : link(row);
        if (ends[0] && ends[1]) { put(1, null); set(0, end); }
        else set(ends[0] ? 1 : 0, end);
      },
      /** Take both ends from the address. */
      follow(from, to) {
        const read = (id) => {
          if (!id) return null;
          if (id.startsWith("link:")) { const row = model.linkRow.get(id.slice(5)); return row === undefined ? null : link(row); }
          const row = model.stationRow.get(id);
          return row === undefined ? null : station(row);
        };
        [from, to].forEach((id, k) => { put(k, read(id)); });
      },
      draw,
    };
    byId("strip-close").addEventListener("click", () => desk.close());
    byId("show-strip").addEventListener("click", () => (desk.shown ? desk.close() : desk.open()));
    return desk;
  };
})();
