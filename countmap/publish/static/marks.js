/* What stands on the roads: figures along the bands, stations, junctions, screenlines, places due.
   Canvas draws them; stations that have room also get a real button, so that keys and readers reach them. */
"use strict";

(() => {
  const TAU = 2 * Math.PI;
  const BUTTONS = 120;
  const LABELS = 36;
  const NUMBERED = 12;  // places due whose order is written on the whole map
  const CROWD = 150;   // stations without room; beyond this their dots would hide the roads
  const { Room, write, station, tick, unequal } = countmap.pens;
  const APART = 20;    // pixels: carriageways nearer than this look like one road
  const { FONT, SERIF } = countmap.pens;

  /** A signed difference of flows in words. */
  countmap.excess = (model, row) => {
    const { disagreement, se } = model.junctions;
    if (Number.isNaN(disagreement[row])) return "";
    const size = countmap.figure(Math.abs(disagreement[row]));
    const spread = Number.isNaN(se[row]) ? "" : ` ± ${countmap.figure(1.96 * se[row])}`;
    return `${size}${spread} a day more ${disagreement[row] > 0 ? "in than out" : "out than in"}`;
  };

  /** One line that says what a station is, for labels that are read out. */
  countmap.spoken = (model, row) => {
    const { stations } = model;
    const figure = model.number(stations, "figure", row);
    const findings = stations.findings[row] + stations.flags[row];
    return [
      countmap.identified(model, row),
      stations.kind[row] === "permanent" ? "permanent station" : "short station",
      countmap.doubt(model, row),
      figure === null ? "no figure" : `${countmap.figure(figure)} vehicles a day ${countmap.percent(model.number(stations, "rel", row))}`,
      findings ? countmap.many(findings, "finding") : "",
    ].filter(Boolean).join(", ");
  };

  countmap.marks = (model, map, state, act) => {
    const { stations, junctions, screenlines, links, due } = model;
    const findings = (row) => stations.findings[row] + stations.flags[row];
    const order = Array.from({ length: stations.rows }, (_, row) => row)
      .filter((row) => !Number.isNaN(stations.lon[row]))
      .sort((a, b) => countmap.urgency(model, b) - countmap.urgency(model, a)
        || (stations.kind[b] === "permanent") - (stations.kind[a] === "permanent")
        || (stations.figure[b] || 0) - (stations.figure[a] || 0) || a - b);
    /** The table and row whose figure is written beside a link: its own, or that of its pair. */
    const written = (row) => (model.pair(row) < 0 ? ["links", row] : ["pairs", model.pair(row)]);
    const weight = (row) => { const [table, at] = written(row); return model[table].figure[at]; };
    const byFlow = Array.from({ length: links.rows }, (_, row) => row)
      .filter((row) => weight(row) > 0)
      .sort((a, b) => weight(b) - weight(a) || links.length_m[b] - links.length_m[a] || a - b);
    const tray = countmap.el("div", { class: "stations leaflet-zoom-hide", role: "group", "aria-label": "Stations on the map; arrow keys move between them" });
    map.getPane("stations").append(tray);
    const buttons = new Map();
    const lineTray = countmap.el("div", { class: "lines leaflet-zoom-hide", role: "group", "aria-label": "Screenlines on the map" });
    map.getPane("stations").append(lineTray);
    let shown = [], hidden = 0, labelled = [], lineDots = [], taken = [];

    function drawScreenlines(ctx, frame, ink) {
      for (let row = 0; row < screenlines.rows; row += 1) {
        if (!countmap.inSight(frame, model.lines.box, row)) continue;
        const wrong = screenlines.verdict[row] === "disagrees";
        for (const [stroke, width] of [[ink.paper, 7], [wrong ? ink.accent : ink.text, 2.4]]) {
          ctx.strokeStyle = stroke;
          ctx.lineWidth = width;
          ctx.lineCap = "butt";
          ctx.setLineDash(width < 7 ? [10, 3, 2, 3] : []);
          ctx.beginPath();
          countmap.trace(ctx, frame, model.lines, row);
          ctx.stroke();
        }
        ctx.setLineDash([]);
      }
    }

    /** Places beside a point for words of this size: [left, top, distance], the nearest first. */
    function around(x, y, wide, high, least) {
      const spots = [];
      for (const away of [least, least + 28, least + 64, least + 110, least + 170, least + 240]) {
        for (const left of [x + 4, x - wide / 2, x - wide - 4]) spots.push([left, y - high - away, away], [left, y + away, away]);
        spots.push([x + away, y - high / 2, away], [x - wide - away, y - high / 2, away]);
      }
      return spots.map((spot) => [...spot, x, y]);
    }

    /** Places for the words of a screenline: around each of its points. */
    function besideLine(frame, row, wide, high) {
      const { start, x, y } = model.lines;
      return Array.from({ length: start[row + 1] - start[row] }, (_, k) => start[row] + k)
        .flatMap((v) => around(frame.x(x[v]), frame.y(y[v]), wide, high, 8));
    }

    /** Words on a slip of paper where they cover least: no mark, no key, few roads; far off with a leader. */
    function slip(ctx, frame, ink, room, lines, spots, colour) {
      ctx.font = `600 ${FONT}`;
      const wide = Math.max(...lines.map((line) => ctx.measureText(line).width)) + 8;
      const high = lines.length * 18 + 2;
      const [west, north, east, south] = frame.view;
      let best = null, least = Infinity;
      for (const [left, top, away, x, y] of spots(wide, high)) {
        const [right, bottom] = [left + wide, top + high];
        if (left < west + 4 || top < north + 4 || right > east - 4 || bottom > south - 4) continue;
        if (taken.some((b) => left < b[2] && right > b[0] && top < b[3] && bottom > b[1])) continue;
        const crossed = away > 20 && leader(x, y, left, top, wide, high).some(([px, py]) => taken.some((b) => px > b[0] && px < b[2] && py > b[1] && py < b[3]));
        const cost = (crossed ? 30 : 0) + away / 8 + 40 * room.hits(left, top, right, bottom) + covered(frame, left, top, wide, high);
        if (cost < least) { least = cost; best = { left, top, away, x, y }; }
      }
      if (!best) return null;
      const { left, top, away, x, y } = best;
      room.add(left, top, left + wide, top + high);
      taken.push([left - 4, top - 2, left + wide + 4, top + high + 2]);
      if (away > 20) {
        const points = leader(x, y, left, top, wide, high);
        for (const [px, py] of points) taken.push([px - 3, py - 3, px + 3, py + 3]);
        ctx.strokeStyle = colour;
        ctx.lineWidth = 1;
        ctx.beginPath();
        ctx.moveTo(x, y);
        ctx.lineTo(...points[points.length - 1]);
        ctx.stroke();
      }
      ctx.fillStyle = ink.paper;
      ctx.beginPath();
      ctx.rect(left, top, wide, high);
      ctx.fill();
      lines.forEach((line, k) => write(ctx, ink, line, left + 4, top + 10 + k * 18, { colour, bold: k === 0 || colour === ink.accent }));
      return { left, top, wide, high };
    }

    /** Points from a place to the nearest edge of a slip, a few pixels apart. */
    function leader(x, y, left, top, wide, high) {
      const [tx, ty] = [Math.max(left, Math.min(left + wide, x)), Math.max(top, Math.min(top + high, y))];
      const steps = Math.max(1, Math.ceil(Math.hypot(tx - x, ty - y) / 8));
      return Array.from({ length: steps + 1 }, (_, k) => [x + ((tx - x) * k) / steps, y + ((ty - y) * k) / steps]);
    }

    /** What lies over the map: the key with its scale bar, and the open panel. */
    function overlays(frame) {
      if (countmap.byId("sheet").classList.contains("printing")) return [];
      const field = countmap.byId("field").getBoundingClientRect();
      return ["margin", "panel", "strip"].map((id) => countmap.byId(id).getBoundingClientRect()).filter((box) => box.width > 0).map((box) => {
        const [left, top] = [frame.view[0] + box.left - field.left, frame.view[1] + box.top - field.top];
        return [left, top, left + box.width, top + box.height];
      });
    }

    /** How much of a box lies on roads and screenlines. */
    function covered(frame, left, top, wide, high) {
      let hits = 0;
      for (let px = left; px <= left + wide; px += 14) {
        for (const py of [top, top + high / 2, top + high]) {
          const found = model.nearest((px + frame.left) / frame.scale, (py + frame.top) / frame.scale, 9 / frame.scale);
          if (found) hits += Number.isNaN(links.figure[found.link]) ? 0.5 : 4;
        }
      }
      return hits + 2 * lineDots.filter(([x, y]) => x > left && x < left + wide && y > top && y < top + high).length;
    }

    /** Points along the screenlines in sight, some pixels apart. */
    function dotted(frame) {
      const { start, x, y } = model.lines;
      const dots = [];
      for (let row = 0; row < screenlines.rows; row += 1) {
        if (!countmap.inSight(frame, model.lines.box, row)) continue;
        for (let v = start[row]; v < start[row + 1] - 1; v += 1) {
          const [ax, ay, bx, by] = [frame.x(x[v]), frame.y(y[v]), frame.x(x[v + 1]), frame.y(y[v + 1])];
          const steps = Math.min(200, Math.ceil(Math.hypot(bx - ax, by - ay) / 10));
          for (let k = 0; k <= steps; k += 1) dots.push([ax + ((bx - ax) * k) / steps, ay + ((by - ay) * k) / steps]);
        }
      }
      return dots;
    }

    /** The two lines beside a screenline: what it carries, how sure, and what was found. */
    function lineWords(row) {
      const total = model.number(screenlines, "total", row);
      const [lower, upper] = ["lower", "upper"].map((name) => model.number(screenlines, name, row));
      return [
        `${screenlines.name[row]}: ${total === null ? "no total" : `${countmap.figure(total)} a day`}, ${model.head.year}`,
        `${lower === null ? "no interval" : `${countmap.figure(lower)} to ${countmap.figure(upper)}`}, ${screenlines.verdict[row]}`,
      ];
    }

    function drawWords(ctx, frame, ink, room) {
      labelled = [];
      lineDots = dotted(frame);
      taken = overlays(frame);
      for (let row = 0; row < screenlines.rows; row += 1) {
        if (!countmap.inSight(frame, model.lines.box, row)) continue;
        const colour = screenlines.verdict[row] === "disagrees" ? ink.accent : ink.text;
        const box = slip(ctx, frame, ink, room, lineWords(row), (wide, high) => besideLine(frame, row, wide, high), colour);
        if (box) labelled.push({ row, ...box, foot: frame.corner.add(L.point(box.left, box.top + box.high - 12)) });
      }
      placeLines(frame);
      for (let row = 0; row < junctions.rows; row += 1) {
        const text = countmap.excess(model, row);
        if (junctions.verdict[row] !== "disagrees" || !text) continue;
        const [x, y] = [frame.x(model.junctionX[row]), frame.y(model.junctionY[row])];
        if (x < frame.view[0] || y < frame.view[1] || x > frame.view[2] || y > frame.view[3]) continue;
        slip(ctx, frame, ink, room, text.split(/ (?=more )/), (wide, high) => around(x, y, wide, high, 15), ink.accent);
      }
    }

    function drawJunctions(ctx, frame, ink, room) {
      for (let row = 0; row < junctions.rows; row += 1) {
        if (junctions.verdict[row] !== "disagrees") continue;
        const [x, y] = [frame.x(model.junctionX[row]), frame.y(model.junctionY[row])];
        unequal(ctx, ink, x, y);
        room.take(x - 13, y - 13, x + 13, y + 13);
      }
    }

    /** Places due: open squares, the most urgent with their place in the order; all of them closer in. */
    function drawDue(ctx, frame, ink, room) {
      const places = Array.from({ length: due.rows }, (_, row) => ({ row, place: duePlace(row) })).filter(({ place }) => place)
        .map(({ row, place }) => ({ row, x: frame.x(place.x), y: frame.y(place.y) }));
      const numbered = new Set(places.filter(({ row, x, y }) => (row < NUMBERED || frame.zoom >= 14.5) && room.take(x - 12, y - 12, x + 12, y + 12)).map(({ row }) => row));
      ctx.fillStyle = ink.paper;
      ctx.strokeStyle = ink.accent;
      ctx.lineWidth = 2;
      for (const { row, x, y } of places) {
        const half = numbered.has(row) ? 11 : 4;
        if (half === 4 && !room.take(x - 4, y - 4, x + 4, y + 4)) continue;
        ctx.beginPath();
        ctx.rect(x - half, y - half, 2 * half, 2 * half);
        ctx.fill();
        ctx.stroke();
      }
      for (const { row, x, y } of places) if (numbered.has(row)) write(ctx, ink, String(row + 1), x, y + 0.5, { colour: ink.accent, bold: true, align: "center" });
    }

    function duePlace(row) {
      const at = model.stationRow.get(due.station_id[row]);
      if (at !== undefined && !Number.isNaN(stations.lon[at])) return { x: model.stationX[at], y: model.stationY[at] };
      const link = model.linkRow.get(due.link_id[row]);
      return link === undefined ? null : countmap.middle(model.shape, link);
    }

    function drawStations(ctx, frame, ink, room) {
      const size = frame.zoom < 12 ? 4 : 5.5;
      const quiet = state.view === "next" || state.view === "disagree";
      const reach = order.length > 400 && frame.zoom < 12 ? 15 : 9;
      const placed = [], crowded = [];
      const held = document.activeElement && tray.contains(document.activeElement) ? Number(document.activeElement.dataset.row) : -1;
      const first = held >= 0 ? [held, ...order] : order;
      const seen = new Set(state.view === "next" ? due.station_id.map((id) => model.stationRow.get(id)) : []);
      for (const row of first) {
        if (seen.has(row) || !model.filter.station(row)) continue;
        seen.add(row);
        const [x, y] = [frame.x(model.stationX[row]), frame.y(model.stationY[row])];
        if (x < 0 || y < 0 || x > frame.width || y > frame.height) continue;
        if (placed.length < 400 && room.take(x - reach, y - reach, x + reach, y + reach)) placed.push({ row, x, y });
        else crowded.push({ row, x, y });
      }
      ctx.fillStyle = ink.text;
      ctx.beginPath();
      hidden = crowded.length > CROWD ? crowded.length : 0;
      for (const { x, y } of hidden ? [] : crowded) { ctx.moveTo(x + 1.5, y); ctx.arc(x, y, 1.5, 0, TAU); }
      ctx.fill();
      for (const { row, x, y } of placed) station(ctx, ink, x, y, stations.kind[row] === "permanent", state.view === "next" ? size - 1.5 : size);
      for (const { row, x, y } of placed) {
        if (findings(row) && (!quiet || state.view === "disagree")) {
          tick(ctx, ink, room, x, y, findings(row));
        }
      }
      if (state.station >= 0) {
        const [x, y] = [frame.x(model.stationX[state.station]), frame.y(model.stationY[state.station])];
        ctx.strokeStyle = ink.text;
        ctx.lineWidth = 2;
        ctx.beginPath();
        ctx.arc(x, y, size + 7, 0, TAU);
        ctx.stroke();
      }
      const [left, top, right, bottom] = frame.view;
      shown = placed.filter(({ x, y }) => x > left && y > top && x < right && y < bottom).slice(0, BUTTONS);
      place(shown, frame);
      if (frame.zoom >= 14.5) {
        for (const { row, x, y } of placed) {
          const text = model.named(row).slice(0, 40);
          ctx.font = FONT;
          if (room.take(x + 10, y - 2, x + 14 + ctx.measureText(text).width, y + 18)) write(ctx, ink, text, x + 11, y + 9);
        }
      }
    }

    /** Set the buttons over the marks, reusing those that stay. */
    function place(list, frame) {
      const wanted = new Set(list.map(({ row }) => row));
      for (const [row, button] of buttons) if (!wanted.has(row)) { button.remove(); buttons.delete(row); }
      for (const { row, x, y } of list) {
        let button = buttons.get(row);
        if (!button) {
          button = countmap.el("button", { type: "button", tabindex: -1, "data-row": row, "data-station": stations.station_id[row], "aria-label": countmap.spoken(model, row) });
          buttons.set(row, button);
          tray.append(button);
        }
        L.DomUtil.setPosition(button, L.point(x + frame.corner.x, y + frame.corner.y).round());
      }
      if (!tray.querySelector('[tabindex="0"]') && list.length) buttons.get(list[0].row).tabIndex = 0;
    }

    /** Buttons over the words of the screenlines, for keys and readers. */
    function placeLines(frame) {
      countmap.clear(lineTray);
      for (const { row, left, top, wide, high } of labelled) {
        const [name, rest] = lineWords(row);
        const missing = screenlines.missing[row];
        const label = `Screenline ${name}, ${rest}${missing ? `; not counted: ${missing}` : ""}`;
        const button = countmap.el("button", {
          type: "button", "aria-label": label, style: `width:${wide}px;height:${high}px`,
          focus: () => act.hoverLine(row), blur: () => act.hoverLine(-1), mouseover: () => act.hoverLine(row), mouseout: () => act.hoverLine(-1),
        });
        L.DomUtil.setPosition(button, L.point(left + frame.corner.x, top + frame.corner.y).round());
        lineTray.append(button);
      }
    }

    /** The shown station next in the direction of an arrow key. */
    function next(from, key) {
      const here = shown.find(({ row }) => row === from);
      const [dx, dy] = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[key];
      let best = null, least = Infinity;
      for (const other of shown) {
        const [ox, oy] = [other.x - here.x, other.y - here.y];
        const along = ox * dx + oy * dy;
        if (along <= 0) continue;
        const cost = along + 2.5 * Math.abs(ox * dy - oy * dx);
        if (cost < least) { least = cost; best = other.row; }
      }
      return best;
    }

    const rowOf = (event) => { const button = event.target.closest("button"); return button ? Number(button.dataset.row) : -1; };
    tray.addEventListener("click", (event) => { const row = rowOf(event); if (row >= 0) { event.stopPropagation(); act.openStation(row, event.target.closest("button")); } });
    tray.addEventListener("mouseover", (event) => { const row = rowOf(event); if (row >= 0) act.hoverStation(row); });
    tray.addEventListener("mouseout", () => act.hoverStation(-1));
    tray.addEventListener("focusin", (event) => {
      const row = rowOf(event);
      for (const button of buttons.values()) button.tabIndex = -1;
      buttons.get(row).tabIndex = 0;
      act.hoverStation(row);
    });
    tray.addEventListener("focusout", () => act.hoverStation(-1));
    tray.addEventListener("keydown", (event) => {
      if (!event.key.startsWith("Arrow")) return;
      event.preventDefault();
      event.stopPropagation();
      const row = next(rowOf(event), event.key);
      if (row !== null) buttons.get(row).focus();
    });

    /** Whether the carriageways of a pair lie so far apart on the screen that a sum must say what it is. */
    function apart(frame, pair) {
      const [a, b] = model.linksOf(pair).map((row) => countmap.middle(model.shape, row));
      return b !== undefined && Math.hypot(a.x - b.x, a.y - b.y) * frame.scale > APART;
    }

    /** An arrow for the figure of a one-way link, as the text beside it lies. */
    const arrow = (row, turned) => (links.allowed[row] === "both" ? "" : (links.allowed[row] === "with") === turned ? "← " : "→ ");

    /** Figures written along the widest bands in sight, where there is room. */
    function drawLabels(ctx, frame, ink, room) {
      if (state.view !== "traffic" && state.view !== "sure") return;
      let count = 0;
      const done = new Set();
      for (const row of byFlow) {
        if (count >= LABELS) return;
        if (!model.filter.link(row)) continue;
        const { box } = model.shape;
        if (Math.max(box[row * 4 + 2] - box[row * 4], box[row * 4 + 3] - box[row * 4 + 1]) * frame.scale < 10) continue;
        if (!countmap.inSight(frame, box, row)) continue;
        const middle = countmap.middle(model.shape, row);
        const length = middle.total * frame.scale;
        const [table, at] = written(row);
        if (table === "pairs" && done.has(at)) continue;
        let angle = middle.angle;
        const turned = angle > Math.PI / 2 || angle <= -Math.PI / 2;
        if (turned) angle += Math.PI;
        const value = state.view === "traffic" ? countmap.figure(model[table].figure[at]) : countmap.percent(model.number(model[table], "rel", at));
        if (!value) continue;
        const figure = table === "pairs" ? (apart(frame, at) ? `${value} both ways` : value) : `${arrow(row, turned)}${value}`;
        ctx.font = FONT;
        const named = links.name[row] ? `${links.name[row].slice(0, 40)}  ${figure}` : figure;
        const text = length > ctx.measureText(named).width + 24 ? named : figure;
        const wide = ctx.measureText(text).width;
        if (length < wide * 0.3) continue;
        const rel = model.number(links, "rel", row);
        const off = state.view === "traffic"
          ? countmap.scale.width(links.figure[row], model.most, frame.zoom) / 2 + (rel === null ? 0 : countmap.scale.fringe(rel, frame.zoom)) + 11
          : (rel === null ? 7 : countmap.scale.doubt(rel, frame.zoom)) + 10;
        const [half, high] = [Math.abs(Math.cos(angle)) * wide / 2 + 6, Math.abs(Math.sin(angle)) * wide / 2 + 6];
        const free = [off, -off - 1].map((away) => [frame.x(middle.x) + Math.sin(angle) * away, frame.y(middle.y) - Math.cos(angle) * away])
          .find(([px, py]) => room.take(px - half, py - high, px + half, py + high));
        if (!free) continue;
        const [x, y] = free;
        if (table === "pairs") done.add(at);
        ctx.save();
        ctx.translate(x, y);
        ctx.rotate(angle);
        write(ctx, ink, text, 0, 0, { align: "center" });
        ctx.restore();
        count += 1;
      }
    }

    const placesByRank = Array.from({ length: model.places.rows }, (_, row) => row).sort((a, b) => model.places.rank[a] - model.places.rank[b] || a - b);
    /** Place names: towns before the figures, in capitals; the small ones where room is left, closer in. */
    function drawPlaces(ctx, frame, ink, room, large) {
      const { places } = model;
      for (const row of placesByRank) {
        if (places.rank[row] < 2 !== large || places.rank[row] > frame.zoom - 9) continue;
        const [x, y] = [frame.x(model.placeX[row]), frame.y(model.placeY[row])];
        if (x < 0 || y < 0 || x > frame.width || y > frame.height) continue;
        const text = places.rank[row] < 2 ? places.name[row].slice(0, 40).toUpperCase().split("").join("\u200a") : places.name[row].slice(0, 40);
        ctx.font = SERIF;
        const half = ctx.measureText(text).width / 2 + 6;
        if (room.take(x - half, y - 10, x + half, y + 10)) write(ctx, ink, text, x, y, { colour: ink.soft, align: "center", font: SERIF });
      }
    }

    return {
      tray,
      hidden: () => hidden,
      button: (row) => buttons.get(row),
      lineWords,
      /** Under the words of a screenline, a point of the map's layers; null where they are not drawn. */
      linePlace: (row) => labelled.find((one) => one.row === row)?.foot || null,
      draw(ctx, frame, ink) {
        const room = new Room();
        const asked = state.view === "disagree";
        if (asked) {
          drawScreenlines(ctx, frame, ink);
          drawJunctions(ctx, frame, ink, room);
        }
        if (state.view === "next") drawDue(ctx, frame, ink, room);
        drawStations(ctx, frame, ink, room);
        if (asked) drawWords(ctx, frame, ink, room);
        else if (labelled.length) { labelled = []; placeLines(frame); }
        drawPlaces(ctx, frame, ink, room, true);
        drawLabels(ctx, frame, ink, room);
        drawPlaces(ctx, frame, ink, room, false);
      },
      /** The disagreeing junction under a point of the view, or −1. */
      junctionAt(point) {
        if (state.view !== "disagree") return -1;
        const scale = 2 ** map.getZoom();
        const origin = map.getPixelOrigin();
        const at = map.containerPointToLayerPoint(point).add(origin);
        for (let row = 0; row < junctions.rows; row += 1) {
          if (junctions.verdict[row] !== "disagrees") continue;
          if (Math.hypot(model.junctionX[row] * scale - at.x, model.junctionY[row] * scale - at.y) < 16) return row;
        }
        return -1;
      },
    };
  };
})();
