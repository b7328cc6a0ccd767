/* The roads: one band a link. Width is flow, the fringe is the interval, the cut is the status. */
"use strict";

(() => {
  const { scale } = countmap;
  const POOR = 0.3;
  const BATCH = 200;
  const MESH = 16;   // pixels: links closer than this are drawn as a sketch
  const LARGE = 3;   // pixels: bands that keep their fringe and cut in the sketch

  /** Sort the links into groups that share a stroke, for this view and zoom. Seen from afar a dense network
      is a sketch: thin bands lose fringe and cut, which nobody could read there, and the large ones stand out. */
  function groups(model, view, zoom) {
    const { links, most } = model;
    const sketch = model.size * 2 ** zoom < MESH;
    const fringes = new Map(), bands = new Map();
    const put = (map, key, make, row) => { let g = map.get(key); if (!g) map.set(key, (g = make())); g.rows.push(row); };
    for (let row = 0; row < links.rows; row += 1) {
      const flow = links.figure[row], rel = links.rel[row], status = links.status[row];
      if (!model.filter.link(row)) {
        put(bands, "out", () => ({ order: 0, width: 0.6, status: "unobservable", shade: 0, rows: [] }), row);
        continue;
      }
      const bare = Number.isNaN(flow) || status === "unobservable";
      if (bare) {
        put(bands, "hair", () => ({ order: 0, width: 1, status: "unobservable", shade: 0, rows: [] }), row);
        if (view === "next") put(fringes, "poor", () => ({ width: sketch ? 3 : 7, hollow: true, rows: [] }), row);
        continue;
      }
      const known = !Number.isNaN(rel);
      if (view === "sure") {
        const half = (known ? Math.round(scale.doubt(rel, zoom) * 2) / 2 : 7) * (sketch ? 0.35 : 1);
        put(fringes, `${known}${half}`, () => ({ width: half * 2 + (sketch ? 0 : 2), hollow: !known, rows: [] }), row);
        if (known) put(bands, status, () => ({ order: 2, width: sketch ? 1 : 2.4, status, shade: 1, rows: [] }), row);
        continue;
      }
      const width = Math.round(scale.width(flow, most, zoom) * 2) / 2;
      if (view === "next") {
        const poor = !known || rel > POOR;
        if (poor) put(fringes, "poor", () => ({ width: sketch ? 3 : 7, hollow: true, rows: [] }), row);
        else put(bands, "pale", () => ({ order: 1, width: 2, status: "measured", shade: 0, faint: true, rows: [] }), row);
        continue;
      }
      const faint = view === "disagree";
      const plain = sketch && width < LARGE;
      if (known && !faint && !plain) {
        const reach = Math.round((width + 2 * scale.fringe(rel, zoom, width)) * 2) / 2;
        put(fringes, reach, () => ({ width: reach, rows: [] }), row);
      }
      const cut = plain ? "measured" : status;
      put(bands, `${cut}${width}`, () => ({ order: width, width, status: cut, shade: Math.sqrt(flow / most), faint, rows: [] }), row);
    }
    return {
      fringes: [...fringes.values()].sort((a, b) => a.width - b.width),
      bands: [...bands.values()].sort((a, b) => a.order - b.order),
    };
  }

  /** Add one line to the path, without the vertices too fine to see. */
  function trace(ctx, frame, shape, row) {
    const { start, x, y, keep } = shape;
    const { scale: unit, left, top } = frame;
    const least = 0.4 / unit;
    const last = start[row + 1];
    ctx.moveTo(x[start[row]] * unit - left, y[start[row]] * unit - top);
    for (let v = start[row] + 1; v < last; v += 1) {
      if (keep[v] >= least) ctx.lineTo(x[v] * unit - left, y[v] * unit - top);
    }
  }
  countmap.trace = trace;

  function inSight(frame, box, row) {
    const reach = 20 / frame.scale;
    const [west, north, east, south] = frame.box;
    const k = row * 4;
    return box[k] < east + reach && box[k + 2] > west - reach && box[k + 1] < south + reach && box[k + 3] > north - reach;
  }
  countmap.inSight = inSight;

  /** Strokes in batches: a path of very many pieces is slow to fill in. */
  function strokeRows(ctx, frame, shape, rows) {
    let pieces = 0;
    ctx.beginPath();
    for (const row of rows) {
      if (!inSight(frame, shape.box, row)) continue;
      trace(ctx, frame, shape, row);
      pieces += 1;
      if (pieces % BATCH === 0) { ctx.stroke(); ctx.beginPath(); }
    }
    ctx.stroke();
  }

  /** Crosses a round distance apart, as on a survey sheet. Returns the distance in metres. */
  function crosses(ctx, frame, map, ink) {
    const middle = map.getCenter();
    const metre = frame.scale * 256 / (40075016.686 * Math.cos((middle.lat * Math.PI) / 180));
    const step = [50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000, 50000, 100000].find((m) => m * metre > (map.getSize().x < 500 ? 48 : 90)) || 200000;
    const every = step * metre;
    ctx.strokeStyle = ink.rule;
    ctx.lineWidth = 1;
    ctx.beginPath();
    const [fromX, fromY] = [-(frame.left % every), -(frame.top % every)];
    for (let px = fromX; px < frame.width; px += every) {
      for (let py = fromY; py < frame.height; py += every) {
        const [cx, cy] = [Math.round(px) + 0.5, Math.round(py) + 0.5];
        ctx.moveTo(cx - 4, cy); ctx.lineTo(cx + 4, cy);
        ctx.moveTo(cx, cy - 4); ctx.lineTo(cx, cy + 4);
      }
    }
    ctx.stroke();
    return { step, pixels: every };
  }

  /** Water, pale under all else: areas filled (islands are rings, left out by the even-odd rule), streams as lines. */
  function water(ctx, frame, model, ink) {
    const { area } = model.water;
    if (!area.length) return;
    ctx.fillStyle = ctx.strokeStyle = ink.water;
    ctx.lineWidth = Math.max(1.2, Math.min(4, frame.zoom - 10));
    ctx.lineJoin = ctx.lineCap = "round";
    ctx.setLineDash([]);
    for (const [kind, draw] of [[1, () => ctx.fill("evenodd")], [0, () => ctx.stroke()]]) {
      ctx.beginPath();
      for (let row = 0; row < area.length; row += 1) if (area[row] === kind && inSight(frame, model.shores.box, row)) trace(ctx, frame, model.shores, row);
      draw();
    }
  }

  /** A drawer of roads over a model; it keeps its groups until the view or the zoom changes. */
  countmap.roads = (model, map) => {
    let key = "", sorted = null;
    return {
      crosses: null,
      /** Group anew at the next drawing: the filter has changed. */
      forget() { key = ""; },
      sketch: (zoom) => model.size * 2 ** zoom < MESH,
      draw(ctx, frame, state, ink) {
        water(ctx, frame, model, ink);
        this.crosses = crosses(ctx, frame, map, ink);
        const wanted = `${state.view} ${frame.zoom}`;
        if (wanted !== key) { sorted = groups(model, state.view, frame.zoom); key = wanted; }
        ctx.lineJoin = "round";
        ctx.lineCap = "round";
        ctx.setLineDash([]);
        for (const fringe of sorted.fringes) {
          ctx.strokeStyle = fringe.hollow ? ink.mix(ink.paper, ink.ink, 0.62) : ink.fringe;
          ctx.lineWidth = fringe.width;
          strokeRows(ctx, frame, model.shape, fringe.rows);
        }
        for (const fringe of sorted.fringes) {
          if (!fringe.hollow) continue;
          ctx.strokeStyle = ink.paper;
          ctx.lineWidth = Math.max(0.6, fringe.width - 2.4);
          strokeRows(ctx, frame, model.shape, fringe.rows);
        }
        for (const band of sorted.bands) {
          const dash = scale.dash(band.status, band.width);
          const thin = band.width < LARGE;   // no eye sees how so thin a line ends
          ctx.lineJoin = thin ? "bevel" : "round";
          ctx.lineCap = (thin || dash.length) && band.status !== "modelled" ? "butt" : "round";
          ctx.setLineDash(dash);
          ctx.strokeStyle = band.faint ? ink.faint : band.order === 0 ? ink.mix(ink.paper, ink.light, 0.8) : ink.shade(band.shade);
          ctx.lineWidth = band.width;
          strokeRows(ctx, frame, model.shape, band.rows);
        }
        ctx.setLineDash([]);
      },
    };
  };

  /** A route: its links between two ink lines, over the bands. */
  countmap.traced = (ctx, frame, model, rows, ink) => {
    const { links, shape, most } = model;
    ctx.lineJoin = ctx.lineCap = "round";
    for (const [stroke, more] of [[ink.text, 7], [ink.paper, 4], [ink.ink, 0]]) {
      ctx.strokeStyle = stroke;
      for (const row of rows) {
        const flow = links.figure[row];
        ctx.lineWidth = (Number.isNaN(flow) ? 2 : scale.width(flow, most, frame.zoom)) + more;
        ctx.beginPath();
        trace(ctx, frame, shape, row);
        ctx.stroke();
      }
    }
  };

  /** A link under the pointer: its outline, and an arrow for each sense it carries, set off to its side. */
  countmap.pickOut = (ctx, frame, model, row, ink) => {
    const { links, shape } = model;
    const flow = links.figure[row];
    const width = Number.isNaN(flow) ? 2 : scale.width(flow, model.most, frame.zoom);
    ctx.lineJoin = ctx.lineCap = "round";
    for (const [stroke, more] of [[ink.text, 7], [ink.paper, 4]]) {
      ctx.strokeStyle = stroke;
      ctx.lineWidth = width + more;
      ctx.beginPath();
      trace(ctx, frame, shape, row);
      ctx.stroke();
    }
    ctx.strokeStyle = ink.ink;
    ctx.lineWidth = width;
    ctx.beginPath();
    trace(ctx, frame, shape, row);
    ctx.stroke();
    const middle = countmap.middle(shape, row);
    for (const sense of ["with", "against"]) {
      if (links.allowed[row] !== "both" && links.allowed[row] !== sense) continue;
      const angle = sense === "with" ? middle.angle : middle.angle + Math.PI;
      ctx.save();
      ctx.translate(frame.x(middle.x), frame.y(middle.y));
      ctx.rotate(angle);
      ctx.translate(0, width / 2 + 9);
      ctx.strokeStyle = ink.text;
      ctx.fillStyle = ink.text;
      ctx.lineWidth = 1.6;
      ctx.beginPath();
      ctx.moveTo(-16, 0); ctx.lineTo(10, 0);
      ctx.stroke();
      ctx.beginPath();
      ctx.moveTo(16, 0); ctx.lineTo(7, -4); ctx.lineTo(7, 4);
      ctx.fill();
      ctx.restore();
    }
  };
})();
