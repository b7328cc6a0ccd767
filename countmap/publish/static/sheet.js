/* Puts the sheet together: reads the head, unpacks the network, draws, and answers the reader's hand. */
"use strict";

(() => {
  const { el, byId } = countmap;
  const VIEWS = ["traffic", "sure", "disagree", "next"];

  /** Words in place, before anything is unpacked. */
  function fillHead(head, choose) {
    document.title = `${head.title}: traffic ${head.year}`;
    byId("title").textContent = head.title;
    byId("block-year").textContent = head.year;
    byId("block-release").textContent = head.release;
    byId("block-audience").textContent = head.audience === "public" ? "public" : "internal, not to be passed on";
    byId("questions").append(...head.questions.map(({ key, question }) => el("button", { type: "button", "data-view": key, "aria-pressed": "false", click: () => choose(key) }, question)));
    byId("foot").append(
      ...head.notes.map((note) => el("p", {}, note)),
      el("details", {}, el("summary", {}, "Sources and licences"),
        head.credits.map((line) => el("p", {}, line)),
        head.licences.map((library) => [el("p", {}, `${library.name}, ${library.licence}`), el("pre", {}, library.text)])));
  }

  function panes(map) {
    for (const [name, order] of [["roads", 300], ["hover", 350], ["marks", 400], ["stations", 450]]) {
      map.createPane(name).style.zIndex = order;
    }
    map.getPane("roads").style.pointerEvents = map.getPane("hover").style.pointerEvents = map.getPane("marks").style.pointerEvents = "none";
  }

  function bounds(model) {
    const { lon, lat } = model.links.shape;
    let [west, south, east, north] = [Infinity, Infinity, -Infinity, -Infinity];
    const see = (x, y) => { if (!Number.isNaN(x)) { west = Math.min(west, x); east = Math.max(east, x); south = Math.min(south, y); north = Math.max(north, y); } };
    lon.forEach((x, k) => see(x, lat[k]));
    model.stations.lon.forEach((x, k) => see(x, model.stations.lat[k]));
    return west === Infinity ? null : L.latLngBounds([south, west], [north, east]);
  }

  class Sheet {
    constructor(map, head) {
      this.map = map;
      this.head = head;
      this.state = { view: "traffic", station: -1, link: -1, hoverLink: -1, open: null };
      this.back = null;
    }

    show(model) {
      this.model = model;
      const { map, state } = this;
      panes(map);
      const all = (this.all = bounds(model));
      this.inks = countmap.inks();
      countmap.legend(model, state.view, 12, this.inks, {});
      if (innerWidth < 720) byId("key").open = false;
      this.fit();
      this.roads = countmap.roads(model, map);
      const act = (this.act = {
        openStation: (row, from) => this.take("station", row, from),
        openLink: (row, from) => this.open("link", row, from),
        corridorFrom: (row) => this.desk.open(row),
        openJunction: (row, from) => this.open("junction", row, from),
        hoverStation: (row) => this.hoverStation(row),
        hoverLine: (row) => this.hoverLine(row),
      });
      this.filter = model.filter = countmap.filter(model, () => { this.roads.forget(); this.fillTable(); this.said(); this.redraw(); this.remember(); });
      this.marks = countmap.marks(model, map, state, act);
      this.desk = countmap.desk(this);
      const layer = (draw, pane, needed) => new countmap.Canvas(draw, pane, needed).addTo(map);
      this.roadLayer = layer((ctx, frame) => this.roads.draw(ctx, frame, state, this.inks), "roads");
      this.hoverLayer = layer((ctx, frame) => {
        if (this.desk.shown) countmap.traced(ctx, frame, model, this.desk.rows(), this.inks);
        const row = state.hoverLink >= 0 ? state.hoverLink : state.link;
        if (row >= 0) countmap.pickOut(ctx, frame, model, row, this.inks);
      }, "hover", () => state.hoverLink >= 0 || state.link >= 0 || this.desk.rows().length > 0);
      this.markLayer = layer((ctx, frame) => this.marks.draw(ctx, frame, this.inks), "marks");
      map.on("moveend zoomend", () => this.ground());
      this.listen();
      countmap.search(model, act);
      if (all) map.setMaxBounds(all.pad(4));
      this.follow();
      this.ground();
      byId("sheet").dataset.ready = "true";
    }

    /** Show the whole network, beside the key and, where there is room, the open panel. */
    fit() {
      const { map } = this;
      map.invalidateSize({ animate: false });
      const wide = map.getSize().x;
      if (this.all) map.fitBounds(this.all, this.clear(wide));
      this.fitted = map.getZoom();
    }

    /** The room that key, panel and strip leave of the map, as Leaflet takes it. */
    clear(wide) {
      const left = 20 + (wide < 900 ? 0 : this.margin());
      const panel = byId("panel");
      const right = 20 + (!panel.hidden && panel.offsetWidth < 0.4 * wide ? panel.offsetWidth : 0);
      const bottom = Math.min(28 + byId("strip").offsetHeight, this.map.getSize().y - 120);
      return { animate: false, paddingTopLeft: [left, 28], paddingBottomRight: [right, bottom] };
    }

    /** Show a corridor whole, in the room that is left. */
    fitRoute(rows) {
      const { map, model } = this;
      if (byId("field").hidden || !rows.length) return;
      const { start, lon, lat } = model.links.shape;
      const bounds = L.latLngBounds([]);
      for (const row of rows) for (let v = start[row]; v < start[row + 1]; v += 1) bounds.extend([lat[v], lon[v]]);
      map.fitBounds(bounds, { ...this.clear(map.getSize().x), maxZoom: 16 });
    }

    /** What the reader sees now of the network: the view, without the empty ground around it. */
    inView() {
      const { map, all } = this;
      const view = map.getBounds();
      if (!all || !view.intersects(all)) return view;
      const [a, b] = [view.getSouthWest(), view.getNorthEast()];
      const [c, d] = [all.getSouthWest(), all.getNorthEast()];
      return L.latLngBounds([Math.max(a.lat, c.lat), Math.max(a.lng, c.lng)], [Math.min(b.lat, d.lat), Math.min(b.lng, d.lng)]);
    }

    /** How far the key reaches into the map from the left. */
    margin() {
      const margin = byId("margin");
      return margin.offsetWidth < 0.5 * this.map.getSize().x ? margin.offsetLeft + margin.offsetWidth : 0;
    }

    /** The key and the scale bar follow the zoom. */
    ground() {
      if (this.roads.crosses) countmap.scalebar(this.roads.crosses);
      const zoom = this.map.getZoom();
      countmap.legend(this.model, this.state.view, zoom, this.inks, { sketch: this.roads.sketch(zoom), hidden: this.marks.hidden() });
    }

    redraw() {
      this.roadLayer.redraw();
      this.hoverLayer.redraw();
      this.markLayer.redraw();
      this.ground();
    }

    choose(view) {
      this.state.view = view;
      byId("sheet").dataset.view = view;
      for (const button of byId("questions").children) button.setAttribute("aria-pressed", String(button.dataset.view === view));
      this.said();
      if (!this.model) return;
      this.fillTable();
      this.redraw();
      this.remember();
    }

    /** The answer to the question, and what the filter leaves of it. */
    said() {
      const { answer } = this.head.questions.find(({ key }) => key === this.state.view);
      byId("answer").textContent = this.filter && this.filter.active ? `${this.filter.said()} Of all: ${answer}` : answer;
    }

    fillTable() {
      const roll = byId("roll");
      if (roll.hidden) return;
      countmap.clear(roll);
      roll.append(...countmap.tables(this.model, this.state.view, this.act));
    }

    showTable(on) {
      byId("show-table").setAttribute("aria-pressed", String(on));
      byId("show-table").textContent = on ? "Map" : "Table";
      byId("roll").hidden = !on;
      byId("field").hidden = on;
      this.fillTable();
      if (!on) { this.map.invalidateSize({ animate: false }); this.redraw(); }
    }

    /** A station's button: on the map it is a place for the corridor while that is being picked. */
    take(kind, row, from) {
      const onMap = from && this.marks.tray.contains(from);
      if (onMap && this.desk.shown) this.desk.pick(kind, row);
      else this.open(kind, row, from);
    }

    /** The map fits the room that panel and strip leave, and shows all where it showed all. */
    settle() {
      byId("sheet").style.setProperty("--strip", `${byId("strip").offsetHeight}px`);
      if (this.map.getZoom() === this.fitted && !byId("field").hidden) this.fit();
      this.redraw();
    }

    async open(kind, row, from) {
      const { state, model } = this;
      const panel = byId("panel");
      if (!panel.contains(from || document.activeElement)) this.back = from || document.activeElement;
      state.open = { kind, row };
      state.station = kind === "station" ? row : -1;
      state.link = kind === "link" ? row : -1;
      const body = await { station: countmap.stationPanel, link: countmap.linkPanel, junction: countmap.junctionPanel }[kind](model, row, this.act);
      if (!state.open || state.open.kind !== kind || state.open.row !== row) return;
      countmap.clear(panel);
      panel.append(el("button", { type: "button", class: "close", click: () => this.close() }, "Close"), ...body.filter(Boolean));
      panel.hidden = false;
      panel.scrollTop = 0;
      byId("sheet").classList.add("with-panel");
      byId("panel-title").focus({ preventScroll: true });
      this.bringIntoSight(kind, row);
      this.hoverStation(-1);
      this.redraw();
      this.remember();
    }

    close() {
      const { state } = this;
      if (!state.open) return;
      const { kind, row } = state.open;
      state.open = null;
      state.station = state.link = -1;
      byId("panel").hidden = true;
      byId("sheet").classList.remove("with-panel");
      if (this.map.getZoom() === this.fitted && !byId("field").hidden) this.fit();
      this.redraw();
      this.remember();
      const back = this.back && this.back.isConnected ? this.back : kind === "station" && this.marks.button(row);
      (back || this.map.getContainer()).focus({ preventScroll: true });
      this.back = null;
    }

    place(kind, row) {
      const { model } = this;
      if (kind === "station") return Number.isNaN(model.stations.lon[row]) ? null : { x: model.stationX[row], y: model.stationY[row] };
      if (kind === "junction") return { x: model.junctionX[row], y: model.junctionY[row] };
      return countmap.middle(model.shape, row);
    }

    /** Where the whole network is shown, show it beside the panel; closer in, move only as far as needed to keep the place clear of the panel. */
    bringIntoSight(kind, row) {
      const at = this.place(kind, row);
      if (!at || byId("field").hidden) return;
      const { map } = this;
      const size = map.getSize();
      const point = this.point(at);
      const panel = byId("panel").getBoundingClientRect();
      const field = byId("field").getBoundingClientRect();
      const below = panel.width > 0.9 * field.width;
      const right = below ? size.x : Math.min(size.x, panel.left - field.left);
      const bottom = below ? Math.max(120, Math.min(size.y, panel.top - field.top)) : size.y;
      const left = this.margin();
      const inside = point.x > left + 40 && point.x < right - 40 && point.y > 40 && point.y < bottom - 40;
      if (!below && map.getZoom() === this.fitted) this.fit();
      else if (!inside) map.panBy(point.subtract(L.point((left + right) / 2, bottom / 2)), { animate: !countmap.reducedMotion() });
    }

    hoverStation(row) {
      const { model } = this;
      if (row < 0) { byId("hover").hidden = true; return; }
      const doubt = countmap.doubt(model, row);
      const lines = countmap.attention(model, row).map(({ what, suspect, why }) => (suspect ? `${what}: ${why}` : why));
      this.say(this.point(this.place("station", row)), countmap.identified(model, row), this.sentence("stations", row, doubt), lines, { first: doubt });
    }

    /** A screenline in words, under its words. */
    hoverLine(row) {
      const { screenlines } = this.model;
      const at = row < 0 ? null : this.marks.linePlace(row);
      if (!at) { byId("hover").hidden = true; return; }
      const [name, interval] = this.marks.lineWords(row);
      const wrong = screenlines.verdict[row] === "disagrees";
      const found = { agrees: "It agrees with the counts beside it.", disagrees: "It disagrees with the counts beside it.", untested: "Untested: nothing else says what crosses it." }[screenlines.verdict[row]];
      const missing = screenlines.missing[row] ? `Not counted: ${screenlines.missing[row]}.` : "";
      const lines = [found, missing, screenlines.why[row]].filter(Boolean);
      this.say(this.map.layerPointToContainerPoint(at), name, interval, wrong ? lines : [], { plain: wrong ? [] : lines });
    }

    sentence(table, row, doubt = "") {
      const figure = this.model.number(this.model[table], "figure", row);
      const basis = { both: "both senses", with: "one sense", against: "one sense" }[this.model[table].basis[row]];
      if (figure === null) return `No figure for ${this.head.year}`;
      const rel = countmap.percent(this.model.number(this.model[table], "rel", row)) || "(no interval)";
      return `${countmap.figure(figure)} a day ${rel}${doubt ? " only if the count is right" : ""}, ${basis}, ${this.head.year}, ${this.model[table].status[row]}`;
    }

    hoverLink(row) {
      if (row === this.state.hoverLink) return;
      this.state.hoverLink = row;
      this.hoverLayer.redraw();
      if (row < 0) { byId("hover").hidden = true; return; }
      const { model } = this;
      const senses = ["with", "against"].map((sense, k) => {
        const figure = model.number(model.links, `${sense}_figure`, row);
        return figure === null ? null : `${["as drawn", "against the drawing"][k]}: ${countmap.figure(figure)}`;
      }).filter(Boolean);
      const pair = model.pair(row);
      const whole = pair < 0 ? [] : [`both carriageways: ${countmap.figure(model.pairs.figure[pair])} a day`];
      this.say(this.point(this.place("link", row)), model.road(row), this.sentence("links", row), [], { plain: [...whole, ...(senses.length ? [senses.join(", ")] : [])] });
    }

    /** Where a place of the world lies in the map's frame. */
    point(at) {
      const { map } = this;
      return at && map.layerPointToContainerPoint(L.point(at.x, at.y).multiplyBy(2 ** map.getZoom()).subtract(map.getPixelOrigin()));
    }

    /** The small note beside a point: name, sentence, then what to look at in the accent, the rest in ink. */
    say(point, name, sentence, lines, { first = "", plain = [] } = {}) {
      if (!point) return;
      const { map } = this;
      const hover = byId("hover");
      countmap.clear(hover);
      hover.append(el("strong", {}, name), first ? el("span", { class: "why" }, `${first};`) : "", el("span", {}, sentence), 
        ...lines.slice(0, 3).map((line) => el("span", { class: "why" }, line)), ...plain.map((line) => el("span", { class: "soft" }, line)));
      hover.hidden = false;
      const size = map.getSize();
      const box = hover.getBoundingClientRect();
      const left = Math.max(8, Math.min(point.x + 16, size.x - box.width - 8));
      const top = point.y + 18 + box.height > size.y ? point.y - box.height - 18 : point.y + 18;
      hover.style.left = `${left}px`;
      hover.style.top = `${Math.max(8, top)}px`;
    }

    linkAt(event) {
      const world = this.map.project(event.latlng, 0);
      const found = this.model.nearest(world.x, world.y, 12 / 2 ** this.map.getZoom());
      return found ? found.link : -1;
    }

    listen() {
      const { map, state } = this;
      map.on("mousemove", (event) => {
        if (event.originalEvent.target.closest && event.originalEvent.target.closest("button")) { this.hoverLink(-1); return; }
        const row = this.linkAt(event);
        this.hoverLink(row);
        map.getContainer().style.cursor = row >= 0 || this.marks.junctionAt(event.containerPoint) >= 0 ? "pointer" : "";
      });
      map.on("mouseout", () => this.hoverLink(-1));
      map.on("click", (event) => {
        const junction = this.marks.junctionAt(event.containerPoint);
        const link = junction >= 0 ? -1 : this.linkAt(event);
        if (junction >= 0) this.open("junction", junction, map.getContainer());
        else if (link >= 0 && this.desk.shown) this.desk.pick("link", link);
        else if (link >= 0) this.open("link", link, map.getContainer());
        else this.close();
      });
      document.addEventListener("keydown", (event) => { if (event.key === "Escape") { byId("hover").hidden = true; if (state.open) this.close(); else if (this.desk.shown) this.desk.close(); } });
      byId("show-table").addEventListener("click", () => this.showTable(byId("roll").hidden));
      byId("show-dark").addEventListener("click", () => this.light());
      byId("print").addEventListener("click", () => window.print());
      byId("zoom-in").addEventListener("click", () => map.zoomIn(1));
      byId("zoom-out").addEventListener("click", () => map.zoomOut(1));
      byId("zoom-all").addEventListener("click", () => this.fit());
      window.addEventListener("hashchange", () => this.follow());
      matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.relight());
      window.addEventListener("beforeprint", () => this.paper(true));
      window.addEventListener("afterprint", () => this.paper(false));
      new ResizeObserver(() => { if (!byId("field").hidden) map.invalidateSize({ animate: false }); }).observe(byId("field"));
    }

    isDark() {
      const chosen = byId("sheet").dataset.light;
      return chosen ? chosen === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
    }

    light() {
      byId("sheet").dataset.light = this.isDark() ? "paper" : "dark";
      this.relight();
    }

    relight() {
      const dark = this.isDark();
      document.documentElement.style.colorScheme = dark ? "dark" : "light";
      byId("show-dark").setAttribute("aria-pressed", String(dark));
      byId("show-dark").textContent = dark ? "Light" : "Dark";
      if (!this.model) return;
      this.inks = countmap.inks();
      this.redraw();
    }

    /** For print the map takes the page's width, grey inks and vector lines; afterwards all returns. */
    paper(on) {
      const { map } = this;
      if (on === Boolean(this.kept)) return;
      if (on) this.seen = this.inView();
      if (on) this.kept = { centre: map.getCenter(), zoom: map.getZoom(), open: byId("key").open };
      byId("sheet").classList.toggle("printing", on);
      byId("key").open = on || this.kept.open;
      for (const steps of byId("panel").querySelectorAll("details")) steps.open = on;
      map.invalidateSize({ animate: false, pan: false });
      this.inks = countmap.inks();
      if (on) {
        map.fitBounds(this.seen, { animate: false, padding: [24, 30] });
      } else {
        map.setView(this.kept.centre, this.kept.zoom, { animate: false });
        this.kept = null;
      }
      if (this.desk.shown) this.desk.draw();
      for (const twin of byId("strip-body").querySelectorAll("details")) twin.open = on;
      this.redraw();
      countmap.printed(map, on ? [this.roadLayer, this.hoverLayer, this.markLayer] : null);
    }

    /** Keep the view and the open place in the address, so that a link leads back to them. */
    remember() {
      const { state, model } = this;
      const words = [];
      if (state.view !== "traffic") words.push(`view=${state.view}`);
      if (state.open && state.open.kind === "station") words.push(`station=${encodeURIComponent(model.stations.station_id[state.open.row])}`);
      if (state.open && state.open.kind === "link") words.push(`link=${encodeURIComponent(model.links.link_id[state.open.row])}`);
      if (this.filter) words.push(...this.filter.words());
      if (this.desk && this.desk.shown) this.desk.ids().forEach((id, k) => { if (id) words.push(`${["from", "to"][k]}=${encodeURIComponent(id)}`); });
      const hash = words.length ? `#${words.join("&")}` : "";
      if (hash !== location.hash) history.replaceState(null, "", hash || location.pathname + location.search);
    }

    /** Go where the address says. */
    follow() {
      const wanted = new URLSearchParams(location.hash.slice(1));
      const station = this.model.stationRow.get(wanted.get("station"));
      const link = this.model.linkRow.get(wanted.get("link"));
      const view = wanted.get("view");
      if (VIEWS.includes(view) && view !== this.state.view) { this.state.view = view; }
      this.filter.read(wanted);
      this.roads.forget();
      if (wanted.has("from") || wanted.has("to")) { this.desk.follow(wanted.get("from"), wanted.get("to")); this.desk.open(); }
      if (station !== undefined) this.open("station", station, null);
      else if (link !== undefined) this.open("link", link, null);
      this.choose(this.state.view);
    }
  }

  /** Called by the page once Leaflet's map stands. */
  countmap.start = async (map) => {
    const head = JSON.parse(byId("countmap-head").textContent);
    const sheet = new Sheet(map, head);
    fillHead(head, (view) => sheet.choose(view));
    sheet.relight();
    sheet.choose("traffic");
    if (typeof DecompressionStream === "undefined") {
      byId("answer").textContent = "This browser cannot unpack the map; use one from 2023 or later.";
      return;
    }
    sheet.show(countmap.model(await countmap.unpack("countmap-network"), head));
  };
})();
