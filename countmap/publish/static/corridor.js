/* A route read as a corridor: flow by sense along the chainage, side roads, stations, and the steps between
   stations that no side road explains. The rule is that of `countmap balance corridor`, on the figures shown. */
"use strict";

(() => {
  const TRAVELS = ["ahead", "back"];
  const DOUBTFUL = 2;   // standard errors, as in balance/verdicts.py
  const COUNTED = 1.96; // half of a 95 % interval in standard errors
  const NINETY = 1.645;
  const other = (sense) => (sense === "with" ? "against" : "with");

  const figures = (model, table, row, prefix) => {
    const [flow, lower, upper] = ["figure", "lower", "upper"].map((name) => model.number(model[table], prefix ? `${prefix}_${name}` : name, row));
    const level = model.number(model[table], "level", row) ?? 0.95;
    const wide = level > 0.93 ? COUNTED : NINETY;
    const coarse = (model.head.rounding.find(([below]) => below === null || flow < below) || [0, 0])[1] / 2;
    return flow === null ? null : { flow, lower, upper, coarse, se: lower === null ? null : Math.max((upper - lower) / (2 * wide), 1) };
  };

  /** A link's figure in one of its senses; of a one-way link the whole. */
  const along = (model, row, sense) => {
    if (!countmap.carries(model, row, sense)) return null;
    const own = figures(model, "links", row, sense);
    return own || (model.links.allowed[row] === sense ? figures(model, "links", row, "") : null);
  };

  /** The other carriageway of a one-way link, −1 without one. */
  const beside = (model, row) => {
    const pair = model.links.pair[row];
    if (Number.isNaN(pair) || model.links.allowed[row] === "both") return -1;
    const [found] = model.linksOf(pair).filter((one) => one !== row && model.links.allowed[one] !== "both");
    return found ?? -1;
  };

  /** The bands of the strip: each leg with its flow ahead and back. */
  function bands(model, way) {
    return way.legs.map(({ row, forward, begin, end }) => {
      const sense = forward ? "with" : "against";
      const twin = beside(model, row);
      return {
        row, forward, begin: Math.max(0, begin), end: Math.min(way.length, end), twin,
        ahead: along(model, row, sense),
        back: twin < 0 ? along(model, row, other(sense)) : along(model, twin, model.links.allowed[twin]),
        both: figures(model, "links", row, ""),
        status: model.links.status[row], backStatus: model.links.status[twin < 0 ? row : twin],
      };
    });
  }

  /** The nodes within the route and on its other carriageway, each with its chainage. */
  function passed(model, way) {
    const g = model.graph;
    const found = new Map(way.nodes.map(({ node, at }) => [node, at]));
    for (const { row, begin, end } of way.legs) {
      const twin = beside(model, row);
      if (twin < 0) continue;
      const runs = model.links.allowed[twin] === "against";
      for (const [node, at] of [[g.from[twin], runs ? begin : end], [g.to[twin], runs ? end : begin]]) {
        if (at > 0 && at < way.length && !found.has(node)) found.set(node, at);
      }
    }
    return found;
  }

  /** The roads that meet the route from outside, with what they bring in and take out. A junction of several
      nodes (a ring, a crossing of two carriageways) is one place: its inner links are no side roads. */
  function sides(model, way) {
    const g = model.graph;
    const taken = new Set(way.legs.flatMap(({ row }) => [row, beside(model, row)]));
    const found = [], seen = new Set();
    for (const [node, at] of [...passed(model, way)].sort((a, b) => a[1] - b[1])) {
      for (const here of g.place(node)) {
        if (seen.has(here)) continue;
        seen.add(here);
        for (const row of g.at(here)) {
          if (taken.has(row) || g.inside(row)) continue;
          taken.add(row);
          const inward = g.to[row] === here ? "with" : "against";
          // A modelled flow is no evidence: it can neither explain a step nor leave one unexplained.
          const known = model.links.status[row] !== "modelled";
          const flow = (sense) => (!countmap.carries(model, row, sense) ? { flow: 0, se: 0 } : known ? along(model, row, sense) : null);
          found.push({ row, at, into: flow(inward), out: flow(other(inward)), both: known ? figures(model, "links", row, "") : null });
        }
      }
    }
    return found;
  }

  /** The counted stations on the route and its other carriageway. */
  function counted(model, way, parts) {
    const legOf = new Map();
    parts.forEach((part, k) => { legOf.set(part.row, k); if (part.twin >= 0 && !legOf.has(part.twin)) legOf.set(part.twin, k); });
    const found = [];
    for (let row = 0; row < model.stations.rows; row += 1) {
      const link = model.stations.link[row];
      const leg = legOf.get(link);
      if (leg === undefined || Number.isNaN(model.stations.figure[row]) && Number.isNaN(model.stations.with_figure[row]) && Number.isNaN(model.stations.against_figure[row])) continue;
      const { forward } = parts[leg];
      const twin = link !== parts[leg].row;
      const share = countmap.offset(model, row) / Math.max(model.links.length_m[link], 0.5);
      const { begin, end } = way.legs[leg];
      // The other carriageway is drawn its own way: back along the route.
      const runs = twin ? model.links.allowed[link] === "against" : forward;
      const at = begin + (runs ? share : 1 - share) * (end - begin);
      if (at < -0.5 || at > way.length + 0.5) continue;
      const same = model.stations.same_way[row] !== 0;
      const asDrawn = twin ? other(model.links.allowed[link]) : forward ? "with" : "against";
      const ahead = same ? asDrawn : other(asDrawn);
      const sound = model.stations.status[row] !== "unadjusted";
      const figure = (prefix) => { const one = figures(model, "stations", row, prefix); return one && { ...one, se: sound ? one.se : null }; };
      found.push({ row, at, ahead: figure(ahead), back: figure(other(ahead)), both: figure("") });
    }
    return found.sort((a, b) => a.at - b.at || a.row - b.row);
  }

  /** Say whether a step between two counts can be what the side roads bring, or take. `coarse` is what
      rounding the two figures may have made of it: a step is one whatever was rounded off. */
  function judge(step, se, coarse, between, ways) {
    const z = step / se;
    if (Math.abs(step) - coarse <= DOUBTFUL * se) return { step, se, z, verdict: "no step" };
    const flows = between.flatMap((side) => ways.map((way) => side[way]));
    const unknown = between.filter((side) => ways.some((way) => side[way] === null));
    const limit = flows.reduce((sum, one) => sum + (one ? one.flow : 0), 0);
    const error = Math.hypot(se, ...flows.map((one) => (one ? one.se || 0 : 0)));
    const verdict = Math.abs(step) - coarse <= limit + DOUBTFUL * error ? "explained" : unknown.length ? "cannot tell" : "unexplained";
    return { step, se, z, verdict, limit, unknown };
  }

  /** Compare the counts that follow each other in each sense of travel. */
  function steps(seen, joining) {
    const found = [];
    for (const travel of [...TRAVELS, "both"]) {
      const there = seen.filter((one) => one[travel] && one[travel].se !== null && (travel !== "both" || !(one.ahead || one.back)));
      for (let k = 1; k < there.length; k += 1) {
        const [near, far] = [there[k - 1], there[k]];
        const [first, last] = travel === "back" ? [far, near] : [near, far];
        const step = last[travel].flow - first[travel].flow;
        const ways = travel === "both" ? ["into", "out"] : [step > 0 ? "into" : "out"];
        const between = joining.filter(({ at }) => at >= near.at && at <= far.at);
        found.push({ travel, near, far, ...judge(step, Math.hypot(first[travel].se, last[travel].se), first[travel].coarse + last[travel].coarse, between, ways) });
      }
    }
    return found;
  }

  /** Read a route: {way, parts, joining, seen, steps, single}; `single` where no link has figures by sense. */
  countmap.corridor = (model, way) => {
    const parts = bands(model, way);
    const joining = sides(model, way);
    const seen = counted(model, way, parts);
    const single = !parts.some(({ ahead, back }) => ahead || back) && !seen.some(({ ahead, back }) => ahead || back);
    return { way, parts, joining, seen, steps: steps(seen, joining), single };
  };
})();
