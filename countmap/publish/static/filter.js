/* Show a part: roads and stations by status, class, kind and year. What is left out stays as a hairline. */
"use strict";

(() => {
  const { el, byId } = countmap;

  /** The fields one can choose by: {key, title, values: [[value, word]], links, stations}. */
  function fields(model) {
    const { links, stations, years } = model;
    const present = (values) => [...new Set(values)].filter((value) => value !== null);
    const statuses = new Set([...links.status, ...stations.status]);
    const classes = present(links.road_class).sort();
    const kinds = present(stations.kind).sort();
    const counted = present(Array.from(years.year)).sort((a, b) => b - a);
    const yearsOf = (row) => (model.yearsOf.get(stations.station_id[row]) || []).map((k) => String(years.year[k]));
    return [
      { key: "status", title: "Status", values: Object.keys(countmap.STATUS).filter((one) => statuses.has(one)).map((one) => [one, countmap.STATUS[one].word]), link: (row) => links.status[row], station: (row) => stations.status[row] },
      { key: "class", title: "Class of road", values: classes.map((one) => [one, one.replaceAll("_", " ")]), link: (row) => links.road_class[row], station: (row) => links.road_class[stations.link[row]] },
      { key: "kind", title: "Kind of station", values: kinds.map((one) => [one, one]), station: (row) => stations.kind[row] },
      { key: "year", title: "Station has a figure for", values: counted.map((one) => [String(one), String(one)]), station: yearsOf },
    ].filter(({ values }) => values.length > 1);
  }

  /** A filter over a model: {active, link(row), station(row), said, words, read}. */
  countmap.filter = (model, changed) => {
    const all = fields(model);
    const chosen = new Map(all.map(({ key }) => [key, new Set()]));
    const passes = (row, of) => all.every((field) => {
      const wanted = chosen.get(field.key);
      if (!wanted.size || !field[of]) return true;
      const has = field[of](row);
      return Array.isArray(has) ? has.some((one) => wanted.has(one)) : wanted.has(has);
    });
    let links = null, stations = null;
    const filter = {
      get active() { return [...chosen.values()].some((set) => set.size); },
      link: (row) => links === null || links[row] === 1,
      station: (row) => stations === null || stations[row] === 1,
      settle() {
        links = stations = null;
        if (!filter.active) return;
        links = Uint8Array.from({ length: model.links.rows }, (_, row) => Number(passes(row, "link")));
        stations = Uint8Array.from({ length: model.stations.rows }, (_, row) => Number(passes(row, "station")));
      },
      /** What is shown, in words. */
      said() {
        if (!filter.active) return "";
        const long = model.links.length_m;
        let [part, whole] = [0, 0];
        for (let row = 0; row < model.links.rows; row += 1) { whole += long[row]; if (links[row]) part += long[row]; }
        const count = stations.reduce((sum, one) => sum + one, 0);
        return `Shown: ${countmap.figure(part / 1000)} of ${countmap.figure(whole / 1000)} km, ${countmap.figure(count)} of ${countmap.many(model.stations.rows, "station")}.`;
      },
      words: () => all.filter(({ key }) => chosen.get(key).size).map(({ key }) => `${key}=${[...chosen.get(key)].map(encodeURIComponent).join(",")}`),
      read(wanted) {
        for (const { key, values } of all) {
          const given = (wanted.get(key) || "").split(",");
          chosen.set(key, new Set(values.map(([value]) => value).filter((value) => given.includes(value))));
        }
        filter.settle();
        fill();
      },
    };

    function fill() {
      const body = byId("filter-body");
      countmap.clear(body);
      body.append(...all.map(({ key, title, values }) => el("fieldset", {}, el("legend", {}, title), values.map(([value, word]) => {
        const box = el("input", { type: "checkbox", checked: chosen.get(key).has(value), change: () => {
          if (box.checked) chosen.get(key).add(value); else chosen.get(key).delete(value);
          filter.settle();
          tell();
          changed();
        } });
        return el("label", {}, box, word);
      }))), el("div", { class: "filter-end" }, el("p", { id: "filter-said", "aria-live": "polite" }), el("button", { type: "button", id: "filter-clear", click: () => { for (const set of chosen.values()) set.clear(); filter.settle(); fill(); changed(); byId("show-filter").focus(); } }, "Show all")));
      tell();
    }

    function tell() {
      byId("filter-said").textContent = filter.said() || "Nothing chosen: all is shown.";
      byId("filter-clear").hidden = !filter.active;
      byId("show-filter").textContent = filter.active ? "Filtered" : "Filter";
    }

    const box = byId("filter");
    const open = (on) => { box.hidden = !on; byId("show-filter").setAttribute("aria-expanded", String(on)); };
    byId("show-filter").addEventListener("click", () => open(box.hidden));
    box.addEventListener("keydown", (event) => { if (event.key === "Escape") { event.stopPropagation(); open(false); byId("show-filter").focus(); } });
    document.addEventListener("pointerdown", (event) => { if (!box.hidden && !box.contains(event.target) && event.target !== byId("show-filter")) open(false); });
    fill();
    return filter;
  };
})();
