/* The tables: the same figures as the map, for keys, readers and paper. Each row's button opens the panel. */
"use strict";

(() => {
  const { el } = countmap;
  const PAGE = 200;

  const text = (value) => value ?? "";
  const interval = (model, table, row, lower = "lower", upper = "upper") => {
    const [from, to] = [model.number(model[table], lower, row), model.number(model[table], upper, row)];
    return from === null ? "" : `${countmap.figure(from)} to ${countmap.figure(to)}`;
  };

  /** A column: heading, the value to sort by, what to show, whether it is a number. */
  const column = (head, sort, show, number = false) => ({ head, sort, show, number });

  function stationTable(model, act) {
    const { stations, head } = model;
    const figure = (row) => model.number(stations, "figure", row);
    const basis = (row) => ({ both: "both senses", with: stations.name_with[row] || "sense with", against: stations.name_against[row] || "sense against" })[stations.basis[row]] || "";
    return {
      caption: `Stations, average day of ${head.year}${model.filter.active ? " (filtered)" : ""}`,
      rows: stations.rows,
      keep: model.filter.station,
      columns: [
        column("Station", (row) => model.named(row), (row) => el("button", { type: "button", class: "go", "data-station": stations.station_id[row], click: (event) => act.openStation(row, event.currentTarget) }, model.named(row))),
        column("Vehicles a day", figure, (row) => (figure(row) === null ? "" : countmap.figure(figure(row))), true),
        column("±", (row) => model.number(stations, "rel", row), (row) => countmap.percent(model.number(stations, "rel", row)), true),
        column("Status", (row) => text(stations.status[row]), (row) => text(stations.status[row])),
        column("Interval", (row) => model.number(stations, "rel", row), (row) => interval(model, "stations", row), true),
        column("Basis", basis, basis),
        column("Days", (row) => model.number(stations, "days", row), (row) => text(model.number(stations, "days", row)), true),
        column("Id", (row) => stations.station_id[row], (row) => stations.station_id[row]),
        column("Kind", (row) => text(stations.kind[row]), (row) => text(stations.kind[row])),
        column("To look at", (row) => -countmap.urgency(model, row), (row) => {
          const why = countmap.attention(model, row).map(({ what, others }) => (others.length ? `${what} (or at ${others.join(", ")})` : what));
          return why.length ? el("span", { class: "tick" }, why.join("; ")) : "";
        }),
      ],
      matches: (row) => `${stations.name[row] || ""} ${stations.station_id[row]} ${stations.road[row] || ""}`,
    };
  }

  function disagreementTable(model, act) {
    const { junctions, screenlines } = model;
    const all = [
      ...Array.from({ length: junctions.rows }, (_, row) => ({ kind: "junction", row })),
      ...Array.from({ length: screenlines.rows }, (_, row) => ({ kind: "screenline", row })),
    ];
    const name = ({ kind, row }) => (kind === "junction" ? junctions.name[row] || junctions.junction_id[row] : screenlines.name[row]);
    const verdict = ({ kind, row }) => text((kind === "junction" ? junctions : screenlines).verdict[row]);
    const z = ({ kind, row }) => (kind === "junction" ? model.number(junctions, "z", row) : null);
    const what = ({ kind, row }) => {
      if (kind === "junction") return [countmap.excess(model, row), text(junctions.why[row])].filter(Boolean).join(". ");
      const total = model.number(screenlines, "total", row);
      return [
        total === null ? "no total" : `${countmap.figure(total)} a day in ${model.head.year} (${interval(model, "screenlines", row) || "no interval"})`,
        screenlines.missing[row] ? `not counted: ${screenlines.missing[row]}` : "", text(screenlines.why[row]),
      ].filter(Boolean).join("; ");
    };
    return {
      caption: `Junctions and screenlines, average day of ${model.head.year}`,
      rows: all.length,
      columns: [
        column("Place", (k) => name(all[k]), (k) => (all[k].kind === "junction"
          ? el("button", { type: "button", class: "go", click: (event) => act.openJunction(all[k].row, event.currentTarget) }, name(all[k])) : name(all[k]))),
        column("Kind", (k) => all[k].kind, (k) => all[k].kind),
        column("Verdict", (k) => ["disagrees", "untested", "agrees"].indexOf(verdict(all[k])), (k) => (verdict(all[k]) === "disagrees" ? el("span", { class: "tick" }, "disagrees") : verdict(all[k]))),
        column("z", (k) => (z(all[k]) === null ? null : -Math.abs(z(all[k]))), (k) => (z(all[k]) === null ? "" : z(all[k]).toFixed(1)), true),
        column("Figures", (k) => what(all[k]), (k) => what(all[k])),
      ],
      matches: (k) => name(all[k]),
    };
  }

  function dueTable(model, act) {
    const { due } = model;
    const where = (row) => {
      const station = model.stationRow.get(due.station_id[row]);
      if (station !== undefined) return [model.named(station), () => act.openStation(station)];
      const link = model.linkRow.get(due.link_id[row]);
      return link === undefined ? [due.station_id[row] || due.link_id[row] || "", null] : [model.road(link), () => act.openLink(link)];
    };
    return {
      caption: "Where to count next, most urgent first",
      rows: due.rows,
      columns: [
        column("Order", (row) => row, (row) => row + 1, true),
        column("Place", (row) => where(row)[0], (row) => (where(row)[1] ? el("button", { type: "button", class: "go", click: where(row)[1] }, where(row)[0]) : where(row)[0])),
        column("Why", (row) => text(due.why[row]), (row) => text(due.why[row])),
        ...(due.visit.some(Boolean) ? [column("Visit planned", (row) => text(due.visit[row]), (row) => text(due.visit[row]))] : []),
      ],
      matches: (row) => where(row)[0],
    };
  }

  function compare(a, b) {
    if (a === null || a === "") return b === null || b === "" ? 0 : 1;
    if (b === null || b === "") return -1;
    return typeof a === "number" ? a - b : String(a).localeCompare(String(b), "en", { numeric: true });
  }

  /** Build one sortable table. Rows beyond the first page wait behind a button. */
  function build(spec, start) {
    let { sorted, down, limit } = { sorted: start, down: false, limit: PAGE };
    const body = el("tbody");
    const more = el("button", { type: "button", class: "more", click: () => { limit += PAGE; fill(); } });
    const heads = spec.columns.map((col, k) => el("th", { scope: "col", class: col.number ? "number" : null },
      el("button", { type: "button", click: () => { down = sorted === k && !down; sorted = k; fill(); } }, col.head)));
    function fill() {
      const col = spec.columns[sorted];
      const order = Array.from({ length: spec.rows }, (_, row) => row).filter(spec.keep || (() => true)).sort((a, b) => {
        const [x, y] = [col.sort(a), col.sort(b)];
        const missing = (value) => value === null || value === "";
        return missing(x) || missing(y) ? compare(x, y) || a - b : (down ? -1 : 1) * compare(x, y) || a - b;
      });
      heads.forEach((head, k) => {
        if (k === sorted) head.setAttribute("aria-sort", down ? "descending" : "ascending");
        else head.removeAttribute("aria-sort");
      });
      countmap.clear(body);
      body.append(...order.slice(0, limit).map((row) => el("tr", {}, spec.columns.map((c, k) =>
        el(k === 0 ? "th" : "td", { scope: k === 0 ? "row" : null, class: c.number ? "number" : null }, c.show(row))))));
      more.textContent = `Show more: ${order.length - limit} left`;
      more.hidden = order.length <= limit;
    }
    fill();
    return [el("div", { class: "roll-scroll", tabindex: 0, role: "group", "aria-label": spec.caption },
      el("table", {}, el("caption", {}, spec.caption), el("thead", {}, el("tr", {}, heads)), body)), more];
  }

  /** The tables that belong to a view: stations always, with what the question asks for before them. */
  countmap.tables = (model, view, act) => [
    ...(view === "disagree" && model.junctions.rows + model.screenlines.rows ? build(disagreementTable(model, act), 2) : []),
    ...(view === "next" && model.due.rows ? build(dueTable(model, act), 0) : []),
    ...build(stationTable(model, act), view === "disagree" ? 9 : 0),
  ];
})();
