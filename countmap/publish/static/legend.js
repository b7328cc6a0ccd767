/* The key: real widths, real fringes and the cuts, drawn by the rules of scale.js; and the scale bar. */
"use strict";

(() => {
  const { el, svg, scale } = countmap;
  const WIDE = 76;

  const sample = (height, ...parts) => svg("svg", { width: WIDE, height, viewBox: `0 0 ${WIDE} ${height}`, "aria-hidden": "true" }, parts);
  const stroke = (y, width, attributes) => svg("line", { x1: 4, x2: WIDE - 4, y1: y, y2: y, "stroke-width": width, ...attributes });
  const row = (picture, ...words) => el("li", {}, picture, el("span", {}, words));

  function widths(model, zoom, ink) {
    return scale.samples(model.most).map((flow) => {
      const width = scale.width(flow, model.most, zoom);
      return row(sample(Math.max(14, width + 4), stroke(Math.max(14, width + 4) / 2, width, { stroke: ink.shade(Math.sqrt(flow / model.most)) })), countmap.figure(flow));
    });
  }

  /** What a figure on the map counts. */
  const bases = (model, ink) => [
    row(sample(14, svg("text", { x: WIDE / 2, y: 12, "text-anchor": "middle", fill: ink.text }, "9,400")), model.pairs.rows ? "both senses, both carriageways" : "both senses"),
    ...(model.links.allowed.some((allowed) => allowed !== "both") ? [row(sample(14, svg("text", { x: WIDE / 2, y: 12, "text-anchor": "middle", fill: ink.text }, "→ 4,700")), "one way only")] : []),
  ];

  function fringes(ink, zoom, doubt) {
    return [0.05, 0.2, 0.5].map((rel) => {
      const half = doubt ? scale.doubt(rel, zoom) : scale.fringe(rel, zoom);
      const band = doubt ? 2.4 : 6;
      const height = Math.max(14, 2 * half + band + 2);
      return row(sample(height, stroke(height / 2, band + 2 * half, { stroke: ink.fringe }), stroke(height / 2, band, { stroke: ink.ink })), countmap.percent(rel));
    });
  }

  const hollow = (ink) => sample(14, stroke(7, 7, { stroke: ink.mix(ink.paper, ink.ink, 0.62) }), stroke(7, 4.6, { stroke: ink.paper }));

  function cuts(model, ink) {
    const used = new Set(model.links.status);
    return Object.entries(countmap.STATUS).filter(([status]) => used.has(status)).map(([status, { word, doc }]) => {
      const hair = status === "unobservable";
      const dash = scale.dash(status, 5);
      return row(sample(14, stroke(7, hair ? 1 : 5, {
        stroke: hair ? ink.light : ink.ink, "stroke-dasharray": dash.length ? dash.join(" ") : null, "stroke-linecap": status === "modelled" ? "round" : "butt",
      })), el("b", {}, word), el("span", { class: "soft" }, ` ${doc}`));
    });
  }

  const mark = (...parts) => svg("svg", { width: 34, height: 26, viewBox: "0 0 34 26", "aria-hidden": "true" }, parts);

  function marks(ink, view) {
    const items = [
      row(mark(svg("circle", { cx: 12, cy: 15, r: 5.5, fill: ink.text })), "permanent station"),
      row(mark(svg("circle", { cx: 12, cy: 15, r: 4.5, fill: "none", stroke: ink.text, "stroke-width": 2 })), "short station"),
    ];
    if (view !== "next") {
      items.push(row(mark(svg("circle", { cx: 8, cy: 19, r: 4.5, fill: "none", stroke: ink.text, "stroke-width": 2 }),
        svg("path", { d: "M13,14L21,4", stroke: ink.accent, "stroke-width": 2.4 }),
        svg("text", { x: 22, y: 12, fill: ink.accent, class: "strong" }, "2")), "to look at: number of findings"));
    }
    if (view === "disagree") {
      items.push(row(mark(svg("path", { d: "M13,1L25,13L13,25L1,13Z", fill: "none", stroke: ink.accent, "stroke-width": 2 }),
        svg("path", { d: "M8,10.5H18M8,15.5H18M16,7L10,19", stroke: ink.accent, "stroke-width": 2 })), "place: in and out differ"));
      items.push(row(mark(svg("line", { x1: 1, x2: 33, y1: 13, y2: 13, stroke: ink.text, "stroke-width": 2.4, "stroke-dasharray": "10 3 2 3" })), "screenline"));
    }
    return items;
  }

  const block = (title, items) => (items.length ? [el("section", {}, el("h2", {}, title), el("ul", {}, items))] : []);

  /** What only a closer look shows, in words. */
  function closer({ sketch, hidden }) {
    const parts = [sketch ? "fringe and cut of small roads" : "", hidden ? countmap.many(hidden, "more station") : ""].filter(Boolean);
    return parts.length ? [el("p", { class: "closer" }, `Closer in: ${parts.join(", ")}.`)] : [];
  }

  /** Fill the key for this view and zoom; `seen` says what the drawing left out. */
  countmap.legend = (model, view, zoom, ink, seen) => {
    const body = countmap.byId("key-body");
    countmap.clear(body);
    const year = model.head.year;
    const parts = {
      traffic: () => [block(`Vehicles a day, ${year}`, [...widths(model, zoom, ink), ...bases(model, ink)]), block("Fringe: how unsure", fringes(ink, zoom, false)), block("Cut: where it comes from", cuts(model, ink))],
      sure: () => [block("Fringe: how unsure", [...fringes(ink, zoom, true), row(hollow(ink), "a figure, no interval")]), block("Cut: where it comes from", cuts(model, ink))],
      disagree: () => [block(`Vehicles a day, ${year}`, widths(model, zoom, { ...ink, shade: () => ink.faint }))],
      next: () => [block("Roads", [row(hollow(ink), "no figure, or none sure to ± 30 %"), row(sample(14, stroke(7, 2, { stroke: ink.faint })), "sure enough")]),
        model.due.rows ? block("Places", [row(mark(svg("rect", { x: 3, y: 3, width: 20, height: 20, fill: "none", stroke: ink.accent, "stroke-width": 2 }), svg("text", { x: 13, y: 18, "text-anchor": "middle", fill: ink.accent, class: "strong" }, "1")), "due, the first in order")]) : []],
    }[view]();
    body.append(...parts.flat(), ...block("Stations", marks(ink, view)), ...closer(seen));
  };

  /** A ladder bar as long as the distance between two crosses. */
  countmap.scalebar = ({ step, pixels }) => {
    const bar = countmap.byId("scalebar");
    countmap.clear(bar);
    const said = step >= 1000 ? `${step / 1000} km` : `${step} m`;
    const wide = Math.round(pixels);
    bar.setAttribute("aria-label", `Scale: the bar and the distance between crosses are ${said}`);
    bar.append(svg("svg", { width: wide + 2, height: 8, viewBox: `0 0 ${wide + 2} 8`, "aria-hidden": "true" },
      svg("rect", { x: 0.5, y: 0.5, width: wide, height: 6, class: "ladder" }),
      [0, 2].map((k) => svg("rect", { x: 0.5 + (wide * k) / 4, y: 0.5, width: wide / 4, height: 6, class: "ladder-full" }))),
      el("span", {}, `${said} between crosses`));
  };
})();
