/* What stands on the roads: figures along the bands, stations, junctions, screenlines, places due.
   Canvas draws them; stations that have room also get a real button, so that keys and readers reach them. */
"use strict";

(() => {
  const TAU = 2 * Math.PI;
  const BUTTONS = 120;
  const LABELS = 36;
  const CROWD = 150;   // stations without room; beyond this their dots would hide the roads
  const FONT = "14px system-ui, sans-serif";

  /** Keeps what is drawn from covering what was drawn before. */
  class Room {
    constructor() { this.cells = new Map(); }
    take(left, top, right, bottom) {
      const hits = [];
      for (let c = Math.floor(left / 64); c <= Math.floor(right / 64); c += 1) {
        for (let r = Math.floor(top / 64); r <= Math.floor(bottom / 64); r += 1) {
          const key = `${c} ${r}`;
          let list = this.cells.get(key);
          if (!list) this.cells.set(key, (list = []));
          if (list.some((b) => left < b[2] && right > b[0] && top < b[3] && bottom > b[1])) return false;
          hits.push(list);
        }
      }
      hits.forEach((list) => list.push([left, top, right, bottom]));
      return true;
    }
  }

  /** Text with the paper's colour around it, so that it reads across a band. */
  function write(ctx, ink, text, x, y, { colour = ink.text, bold = false, align = "left" } = {}) {
    ctx.font = bold ? `600 ${FONT}` : FONT;
    ctx.textAlign = align;
    ctx.textBaseline = "middle";
    ctx.lineJoin = "round";
    ctx.lineWidth = 4;
    ctx.strokeStyle = ink.paper;
    ctx.strokeText(text, x, y);
    ctx.fillStyle = colour;
    ctx.fillText(text, x, y);
  }

  function station(ctx, ink, x, y, permanent, size) {
    ctx.beginPath();
    ctx.arc(x, y, size + 2, 0, TAU);
    ctx.fillStyle = ink.paper;
    ctx.fill();
    ctx.beginPath();
    ctx.arc(x, y, size - (permanent ? 0 : 1), 0, TAU);
    if (permanent) { ctx.fillStyle = ink.text; ctx.fill(); return; }
    ctx.strokeStyle = ink.text;
    ctx.lineWidth = 2;
    ctx.stroke();
  }

  /** The tick beside a mark, with how many findings it has. */
  function tick(ctx, ink, room, x, y, count) {
    const side = !room.take(x + 6, y - 28, x + 26, y - 9) && room.take(x - 26, y - 28, x - 6, y - 9) ? -1 : 1;
    for (const [stroke, width] of [[ink.paper, 5], [ink.accent, 2.4]]) {
      ctx.strokeStyle = stroke;
      ctx.lineWidth = width;
      ctx.lineCap = "butt";
      ctx.beginPath();
      ctx.moveTo(x + side * 5, y - 5);
      ctx.lineTo(x + side * 13, y - 15);
      ctx.stroke();
    }
    write(ctx, ink, String(count), x + side * 14, y - 20, { colour: ink.accent, bold: true, align: side > 0 ? "left" : "right" });
  }

  /** Two unequal bars struck through: what flows in is not what flows out. */
  function unequal(ctx, ink, x, y) {
    ctx.fillStyle = ink.paper;
    ctx.strokeStyle = ink.accent;
    ctx.lineWidth = 2;
    ctx.lineCap = "butt";
    ctx.beginPath();
    ctx.moveTo(x, y - 12); ctx.lineTo(x + 12, y); ctx.lineTo(x, y + 12); ctx.lineTo(x - 12, y); ctx.closePath();
    ctx.fill();
    ctx.stroke();
    ctx.beginPath();
    ctx.moveTo(x - 5, y - 2.5); ctx.lineTo(x + 5, y - 2.5);
    ctx.moveTo(x - 5, y + 2.5); ctx.lineTo(x + 5, y + 2.5);
    ctx.moveTo(x + 3, y - 6); ctx.lineTo(x - 3, y + 6);
    ctx.stroke();
  }

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
    const byFlow = Array.from({ length: links.rows }, (_, row) => row)
      .filter((row) => links.figure[row] > 0)
      .sort((a, b) => links.figure[b] - links.figure[a] || a - b);
    const tray = countmap.el("div", { class: "stations leaflet-zoom-hide", role: "group", "aria-label": "Stations on the map; arrow keys move between them" });
    map.getPane("stations").append(tray);
    const buttons = new Map();
    let shown = [], hidden = 0;

    function drawScreenlines(ctx, frame, ink, room) {
      for (let row = 0; row < screenlines.rows; row += 1) {
        const wrong = screenlines.verdict[row] === "disagrees";
        if (!countmap.inSight(frame, model.lines.box, row)) continue;
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
        const end = model.lines.start[row];
        const [x, y] = [frame.x(model.lines.x[end]), frame.y(model.lines.y[end])];
        const total = model.number(screenlines, "total", row);
        const text = `${screenlines.name[row]}: ${total === null ? "no total" : `${countmap.figure(total)} a day`}${wrong ? ", disagrees" : ""}`;
        ctx.font = `600 ${FONT}`;
        const wide = ctx.measureText(text).width;
        const left = Math.max(frame.view[0] + 12, Math.min(x, frame.view[2] - wide - 12));
        room.take(left, y - 24, left + wide, y - 4);
        write(ctx, ink, text, left, y - 14, { colour: wrong ? ink.accent : ink.text, bold: true });
      }
    }

    function drawJunctions(ctx, frame, ink, room) {
      for (let row = 0; row < junctions.rows; row += 1) {
        if (junctions.verdict[row] !== "disagrees") continue;
        const [x, y] = [frame.x(model.junctionX[row]), frame.y(model.junctionY[row])];
        unequal(ctx, ink, x, y);
        room.take(x - 13, y - 13, x + 13, y + 13);
        const text = countmap.excess(model, row);
        ctx.font = FONT;
        const wide = ctx.measureText(text).width;
        const left = x + 17 + wide > frame.view[2] ? x - 17 - wide : x + 17;
        if (room.take(left, y - 10, left + wide, y + 10)) write(ctx, ink, text, left, y, { colour: ink.accent });
      }
    }

    function drawDue(ctx, frame, ink, room) {
      for (let row = 0; row < due.rows; row += 1) {
        const place = duePlace(row);
        if (!place) continue;
        const [x, y] = [frame.x(place.x), frame.y(place.y)];
        if (!room.take(x - 12, y - 12, x + 12, y + 12)) continue;
        ctx.fillStyle = ink.paper;
        ctx.strokeStyle = ink.accent;
        ctx.lineWidth = 2;
        ctx.beginPath();
        ctx.rect(x - 11, y - 11, 22, 22);
        ctx.fill();
        ctx.stroke();
        write(ctx, ink, String(row + 1), x, y + 0.5, { colour: ink.accent, bold: true, align: "center" });
      }
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
        if (seen.has(row)) continue;
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

    /** Figures written along the widest bands in sight, where there is room. */
    function drawLabels(ctx, frame, ink, room) {
      if (state.view !== "traffic" && state.view !== "sure") return;
      let count = 0;
      for (const row of byFlow) {
        if (count >= LABELS) return;
        const { box } = model.shape;
        if (Math.max(box[row * 4 + 2] - box[row * 4], box[row * 4 + 3] - box[row * 4 + 1]) * frame.scale < 10) continue;
        if (!countmap.inSight(frame, box, row)) continue;
        const middle = countmap.middle(model.shape, row);
        const length = middle.total * frame.scale;
        const figure = state.view === "traffic" ? countmap.figure(links.figure[row]) : countmap.percent(model.number(links, "rel", row));
        if (!figure) continue;
        ctx.font = FONT;
        const named = links.name[row] ? `${links.name[row].slice(0, 40)}  ${figure}` : figure;
        const text = length > ctx.measureText(named).width + 24 ? named : figure;
        const wide = ctx.measureText(text).width;
        if (length < wide * 0.3) continue;
        let angle = middle.angle;
        if (angle > Math.PI / 2 || angle <= -Math.PI / 2) angle += Math.PI;
        const rel = model.number(links, "rel", row);
        const off = state.view === "traffic"
          ? countmap.scale.width(links.figure[row], model.most, frame.zoom) / 2 + (rel === null ? 0 : countmap.scale.fringe(rel, frame.zoom)) + 11
          : (rel === null ? 7 : countmap.scale.doubt(rel, frame.zoom)) + 10;
        const [half, high] = [Math.abs(Math.cos(angle)) * wide / 2 + 6, Math.abs(Math.sin(angle)) * wide / 2 + 6];
        const at = [off, -off - 1].map((away) => [frame.x(middle.x) + Math.sin(angle) * away, frame.y(middle.y) - Math.cos(angle) * away])
          .find(([px, py]) => room.take(px - half, py - high, px + half, py + high));
        if (!at) continue;
        const [x, y] = at;
        ctx.save();
        ctx.translate(x, y);
        ctx.rotate(angle);
        write(ctx, ink, text, 0, 0, { align: "center" });
        ctx.restore();
        count += 1;
      }
    }

    return {
      tray,
      hidden: () => hidden,
      button: (row) => buttons.get(row),
      duePlace,
      draw(ctx, frame, ink) {
        const room = new Room();
        if (state.view === "disagree") {
          drawScreenlines(ctx, frame, ink, room);
          drawJunctions(ctx, frame, ink, room);
        }
        if (state.view === "next") drawDue(ctx, frame, ink, room);
        drawStations(ctx, frame, ink, room);
        drawLabels(ctx, frame, ink, room);
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
