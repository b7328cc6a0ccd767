/* The corridor strip: chainage across, flow up; one sense above the line, the other below. Fringe is the
   interval, a gap is missing, side roads are ticks, and a step that nothing explains is marked and named. */
"use strict";

(() => {
  const { el, svg } = countmap;
  const LEFT = 58, RIGHT = 14, HALF = 88, TOP = 34, STEM = 15;
  const km = (m) => `${(m / 1000).toFixed(m < 10000 ? 2 : 1)} km`;
  const ruler = document.createElement("canvas").getContext("2d");
  /** How wide words are in the chart, pixels. */
  const measure = (words) => { ruler.font = "14px system-ui, sans-serif"; return ruler.measureText(words).width + 2; };
  const short = (words, most) => (words.length > most ? `${words.slice(0, most - 1).trimEnd()}…` : words);
  const label = (x, y, text, attributes = {}) => svg("text", { x, y, ...attributes }, text);

  const sureness = ({ lower, upper }) => (lower === null ? "no interval" : `${countmap.figure(lower)} to ${countmap.figure(upper)}`);

  /** The names of the two senses of travel, by where the route ends. */
  const travels = (from, to) => ({ ahead: `towards ${to}`, back: `towards ${from}`, both: "both senses" });

  /** Rooms on one row: take the first that is free. */
  function rowOf(rows, left, right) {
    let k = 0;
    while (rows[k] !== undefined && rows[k] > left) k += 1;
    rows[k] = right + 6;
    return k;
  }

  /** A band of one sense as closed shapes: [fringe, body, edge lines by status]. */
  function flows(parts, travel, x, y) {
    const shapes = [];
    for (const part of parts) {
      const at = part[travel];
      if (!at) continue;
      const [a, b] = [x(part.begin), x(part.end)];
      if (at.lower !== null) shapes.push(svg("rect", { x: a, width: Math.max(0.5, b - a), y: Math.min(y(at.lower), y(at.upper)), height: Math.abs(y(at.upper) - y(at.lower)), class: "fringe" }));
      shapes.push(svg("rect", { x: a, width: Math.max(0.5, b - a), y: Math.min(y(0), y(at.flow)), height: Math.abs(y(at.flow) - y(0)), class: "area" }));
    }
    let previous = null;
    for (const part of parts) {
      const at = part[travel];
      const status = travel === "back" ? part.backStatus : part.status;
      if (at) {
        if (previous) shapes.push(svg("line", { x1: x(part.begin), x2: x(part.begin), y1: y(previous.flow), y2: y(at.flow), class: "riser" }));
        const dash = countmap.scale.dash(status, 4);
        shapes.push(svg("line", { x1: x(part.begin), x2: x(part.end), y1: y(at.flow), y2: y(at.flow), class: "edge", "stroke-dasharray": dash.length ? dash.join(" ") : null, "stroke-linecap": status === "modelled" ? "round" : null }));
      }
      previous = at;
    }
    return shapes;
  }

  /** Flows written on the bands, once where they change, where there is room. */
  function written(parts, travel, x, y, sign) {
    const words = [];
    let run = null;
    const close = () => {
      if (run && run.right - run.left > 44) words.push(label((run.left + run.right) / 2, sign > 0 ? y(run.flow) + 18 : y(run.flow) - 9, countmap.figure(run.flow), { "text-anchor": "middle", class: "halo" }));
    };
    for (const part of parts) {
      const flow = part[travel] ? part[travel].flow : null;
      if (!run || run.flow !== flow) { close(); run = flow === null ? null : { flow, left: x(part.begin), right: x(part.end) }; }
      else run.right = x(part.end);
    }
    close();
    return words;
  }

  /** The scale at the left: nothing and the top. */
  function axis(top, y, wide, two) {
    const parts = [];
    for (const value of [top, top / 2, ...(two ? [-top / 2, -top] : [])]) {
      parts.push(svg("line", { x1: LEFT, x2: wide - RIGHT, y1: y(value), y2: y(value), class: "grid" }));
      if (Math.abs(value) === top) parts.push(label(LEFT - 6, y(value) + 5, countmap.figure(Math.abs(value)), { "text-anchor": "end", class: "soft" }));
    }
    return parts;
  }

  function chainage(length, x, base) {
    const unit = [50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000, 50000, 100000].find((m) => x(m) - x(0) > 70) || 200000;
    const parts = [];
    for (let m = 0; m <= length + 1; m += unit) {
      parts.push(svg("line", { x1: x(m), x2: x(m), y1: base, y2: base + 5, class: "axis" }));
      parts.push(label(x(m), base + 20, m === 0 ? "0 km" : (m / 1000).toString(), { "text-anchor": "middle", class: "soft" }));
    }
    return parts;
  }

  /** Side roads: a tick at the line and, in rows under the chart, what each carries. */
  function joins(model, found, x, zero, floor, right) {
    const rows = [], parts = [], texts = [];
    for (const { row, at, both } of found) {
      const px = x(at);
      const words = `${short(model.road(row), 26)}: ${both ? countmap.figure(both.flow) : "no figure"}`;
      const wide = measure(words);
      const left = Math.min(px + 4, right - wide);
      const k = rowOf(rows, Math.min(left, px), left + wide);
      parts.push(svg("path", { d: `M${px - 5},${zero}h10`, class: "join" }));
      if (k > 2) continue;
      const y = floor + 14 + k * 18;
      parts.push(svg("path", { d: `M${px},${floor - 4}V${y + 3}`, class: "leader" }));
      texts.push(label(left + 2, y, words, { class: both ? "halo" : "halo soft" }));
    }
    return [[parts, texts], Math.min(3, rows.length)];
  }

  /** Stations: a disc on the line; their own figure as a whisker in each sense. */
  function places(model, seen, x, y, right) {
    const rows = [], parts = [];
    for (const one of seen) {
      const px = x(one.at);
      for (const [travel, sign] of [["ahead", 1], ["back", -1], ["both", 1]]) {
        const at = one[travel];
        if (!at || (travel === "both" && (one.ahead || one.back))) continue;
        if (at.lower !== null) parts.push(svg("line", { x1: px, x2: px, y1: y(sign * at.lower), y2: y(sign * at.upper), class: "whisker" }));
        parts.push(svg("path", { d: `M${px - 4},${y(sign * at.flow)}h8`, class: "count" }));
      }
      const permanent = model.stations.kind[one.row] === "permanent";
      parts.push(svg("circle", { cx: px, cy: y(0), r: permanent ? 5 : 4, class: permanent ? "station full" : "station" }));
      const words = short(model.named(one.row), 28);
      const wide = measure(words);
      const left = Math.max(LEFT, Math.min(px - wide / 2, right - wide));
      if (rowOf(rows, left, left + wide) === 0) parts.push(label(left, 14, words, { class: "strong" }), svg("line", { x1: px, x2: px, y1: 19, y2: y(0), class: "leader" }));
    }
    return parts;
  }

  const unexplained = (corridor) => corridor.steps.filter(({ verdict }) => verdict === "unexplained");

  /** What a step says, in words. */
  function told(model, step, names) {
    const [first, last] = step.travel === "back" ? [step.far, step.near] : [step.near, step.far];
    const size = countmap.figure(Math.abs(step.step));
    const between = `${countmap.identified(model, first.row)} and ${countmap.identified(model, last.row)}`;
    if (step.verdict === "no step") return `No step between ${between}.`;
    const change = `${size} ${step.step > 0 ? "more" : "fewer"} a day between ${between}`;
    if (step.verdict === "explained") return `${change}: the side roads can ${step.step > 0 ? "bring" : "take"} it.`;
    if (step.verdict === "cannot tell") return `${change}: cannot tell, ${model.road(step.unknown[0].row)} has no figure${step.unknown.length > 1 ? `, and ${step.unknown.length - 1} more` : ""}.`;
    const sides = step.limit > 0 ? `the side roads can ${step.step > 0 ? "bring" : "take"} ${countmap.figure(Math.round(step.limit))} at most` : `no side road there can ${step.step > 0 ? "bring" : "take"} any`;
    return `${change}: nothing explains it; ${sides}.`;
  }

  /** A bracket between two counts whose step nothing explains, with its size. */
  function marks(corridor, x, y) {
    return unexplained(corridor).flatMap((step, k) => {
      const sign = step.travel === "back" ? -1 : 1;
      const [a, b] = [x(step.near.at), x(step.far.at)];
      const [from, to] = [step.near, step.far].map((one) => y(sign * one[step.travel].flow));
      const high = sign > 0 ? Math.min(from, to) - 12 : Math.max(from, to) + 12;
      const words = `≠ ${countmap.figure(Math.abs(step.step))}`;
      return [svg("path", { d: `M${a},${from}V${high}H${b}V${to}`, class: "wrong" }),
        label(Math.max(LEFT + 24, (a + b) / 2), sign > 0 ? high - 5 : high + 16, words, { "text-anchor": "middle", class: "wrong-words halo" })];
    });
  }

  /** The chart. */
  function chart(model, corridor, names, wide) {
    const { way, parts, joining, seen, single } = corridor;
    const most = Math.max(1, ...parts.flatMap(({ ahead, back, both }) => (single ? [both] : [ahead, back]).map((at) => (at ? at.upper ?? at.flow : 0))),
      ...seen.flatMap(({ ahead, back, both }) => (ahead || back ? [ahead, back] : [both]).map((at) => (at ? at.upper ?? at.flow : 0))));
    const top = countmap.ceiling(most);
    const zero = TOP + HALF;
    const floor = single ? zero + STEM : zero + HALF;
    const x = (m) => LEFT + (m / Math.max(1, way.length)) * (wide - LEFT - RIGHT);
    const y = (flow) => zero - (flow / top) * HALF;
    const down = (flow) => y(-flow);
    const [side, rows] = joins(model, joining, x, zero, floor, wide - RIGHT);
    const base = floor + rows * 18 + 10;
    const senses = single ? [["both", 1, y]] : [["ahead", 1, y], ["back", -1, down]];
    const steps = unexplained(corridor);
    const said = [`Flow from ${names.back.slice(8)} to ${names.ahead.slice(8)}, ${km(way.length)}, ${model.head.year}`, countmap.many(seen.length, "station"), countmap.many(joining.length, "side road"),
      steps.length ? `${countmap.many(steps.length, "step")} that nothing explains` : "no unexplained step"].join("; ");
    return svg("svg", { viewBox: `0 0 ${wide} ${base + 26}`, width: wide, height: base + 26, role: "img", "aria-label": said },
      axis(top, y, wide, !single), senses.map(([travel, , up]) => flows(parts, travel, x, up)),
      svg("line", { x1: LEFT, x2: wide - RIGHT, y1: zero, y2: zero, class: "axis" }), side,
      places(model, seen, x, y, wide - RIGHT), senses.map(([travel, sign, up]) => written(parts, travel, x, up, sign)), marks(corridor, x, y),
      chainage(way.length, x, base));
  }

  /** The same in a table: every piece of road, station, side road and step by chainage. */
  function twin(model, corridor, names, act) {
    const { parts, joining, seen, steps, single } = corridor;
    const cell = (at) => (at ? `${countmap.figure(at.flow)} (${sureness(at)})` : "");
    const rows = [
      ...parts.map((part) => [part.begin, 0, model.road(part.row), single ? cell(part.both) : cell(part.ahead), single ? "" : cell(part.back), `road, ${part.status}`, () => act.openLink(part.row)]),
      ...seen.map((one) => [one.at, 1, countmap.identified(model, one.row), cell(one.ahead || (one.back ? null : one.both)), cell(one.back), "station", () => act.openStation(one.row)]),
      ...joining.map((side) => [side.at, 2, model.road(side.row), side.into ? `${countmap.figure(side.into.flow)} in` : "no figure", side.out ? `${countmap.figure(side.out.flow)} out` : "no figure", "side road", () => act.openLink(side.row)]),
    ].sort((a, b) => a[0] - b[0] || a[1] - b[1]);
    const judged = steps.filter(({ verdict }) => verdict !== "no step");
    return el("details", { class: "strip-table" }, el("summary", {}, "The same in a table"),
      el("div", { class: "roll-scroll", tabindex: 0, role: "group", "aria-label": "Corridor in a table" }, el("table", {}, el("caption", { class: "unseen" }, `Corridor, average day of ${model.head.year}`),
        el("thead", {}, el("tr", {}, ["Kilometre", "Place", single ? "Both senses" : names.ahead, single ? "" : names.back, "What"].filter(Boolean).map((head) => el("th", { scope: "col" }, head)))),
        el("tbody", {}, rows.map(([at, , name, ahead, back, what, open]) => el("tr", {}, el("td", { class: "number" }, (at / 1000).toFixed(2)),
          el("th", { scope: "row" }, el("button", { type: "button", class: "go", click: open }, name)), el("td", {}, ahead), single ? null : el("td", {}, back), el("td", {}, what)))))),
      judged.length ? el("ul", { class: "plain" }, judged.map((step) => el("li", { class: step.verdict === "unexplained" ? "tick" : "" }, `${names[step.travel]}: ${told(model, step, names)}`))) : null);
  }

  /** The whole strip for a route between two named places: nodes to put into the page. */
  countmap.strip = (model, corridor, { from, to, wide, act }) => {
    const names = travels(from, to);
    const steps = unexplained(corridor);
    const facts = [km(corridor.way.length), countmap.many(corridor.seen.length, "station"), countmap.many(corridor.joining.length, "side road")].join(", ");
    return [
      el("p", { class: "strip-answer" }, el("strong", {}, steps.length ? `${countmap.many(steps.length, "step")} that nothing explains. ` : "No step without an explanation. "), `${facts}; average day of ${model.head.year}.`),
      el("figure", { class: "chart strip-chart" }, chart(model, corridor, names, wide),
        el("figcaption", {}, corridor.single ? "Vehicles a day, both senses; the fringe is the interval." : `Vehicles a day: up, ${names.ahead}; down, ${names.back}. The fringe is the interval, a short bar a station's own figure, a cross on the line a side road (both senses).`)),
      ...steps.map((step) => el("p", { class: "tick" }, `${names[step.travel][0].toUpperCase()}${names[step.travel].slice(1)}: ${told(model, step, names)}`)),
      twin(model, corridor, names, act),
    ];
  };
})();
