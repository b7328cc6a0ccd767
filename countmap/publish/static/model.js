/* The network as the browser holds it: tables, projected shapes, and an index to find them by place. */
"use strict";

(() => {
  /** Web Mercator at zoom 0: the world is 256 × 256. */
  const worldX = (lon) => (lon / 360 + 0.5) * 256;
  const worldY = (lat) => {
    const sine = Math.sin((lat * Math.PI) / 180);
    return (0.5 - Math.log((1 + sine) / (1 - sine)) / (4 * Math.PI)) * 256;
  };
  countmap.world = (lon, lat) => [worldX(lon), worldY(lat)];

  function project(shape) {
    const rows = shape.start.length - 1;
    const x = shape.lon.map(worldX);
    const y = shape.lat.map(worldY);
    const box = new Float64Array(rows * 4);
    for (let k = 0; k < rows; k += 1) {
      let [west, north, east, south] = [Infinity, Infinity, -Infinity, -Infinity];
      for (let v = shape.start[k]; v < shape.start[k + 1]; v += 1) {
        west = Math.min(west, x[v]); east = Math.max(east, x[v]);
        north = Math.min(north, y[v]); south = Math.max(south, y[v]);
      }
      box.set([west, north, east, south], k * 4);
    }
    return { start: shape.start, x, y, box, keep: ranks(shape.start, x, y) };
  }

  /** For each vertex the tolerance (world units) up to which it must be drawn: Douglas and Peucker's
      rule kept as a rank, so that any zoom drops what is too fine to see without a second pass. */
  function ranks(start, x, y) {
    const keep = new Float64Array(x.length);
    const stack = [];
    for (let k = 0; k + 1 < start.length; k += 1) {
      const first = start[k], last = start[k + 1] - 1;
      keep[first] = keep[last] = Infinity;
      stack.push(first, last, Infinity);
      while (stack.length) {
        const limit = stack.pop(), b = stack.pop(), a = stack.pop();
        if (b - a < 2) continue;
        const dx = x[b] - x[a], dy = y[b] - y[a];
        const length = Math.hypot(dx, dy);
        let far = -1, at = a;
        for (let v = a + 1; v < b; v += 1) {
          const away = length > 0
            ? Math.abs(dx * (y[v] - y[a]) - dy * (x[v] - x[a])) / length
            : Math.hypot(x[v] - x[a], y[v] - y[a]);
          if (away > far) { far = away; at = v; }
        }
        keep[at] = Math.min(far, limit);
        stack.push(a, at, keep[at], at, b, keep[at]);
      }
    }
    return keep;
  }

  /** A grid over all segments: which links come near a point. */
  class Grid {
    constructor(shape) {
      this.shape = shape;
      const { x, y } = shape;
      let [west, north, east, south] = [Infinity, Infinity, -Infinity, -Infinity];
      for (let v = 0; v < x.length; v += 1) {
        west = Math.min(west, x[v]); east = Math.max(east, x[v]);
        north = Math.min(north, y[v]); south = Math.max(south, y[v]);
      }
      this.west = west; this.north = north;
      this.size = Math.max(east - west, south - north, 1e-9) / Math.max(8, Math.min(200, Math.sqrt(x.length)));
      this.wide = Math.floor((east - west) / this.size) + 1;
      this.cells = new Map();
      for (let k = 0; k + 1 < shape.start.length; k += 1) {
        for (let v = shape.start[k]; v < shape.start[k + 1] - 1; v += 1) this.add(k, v);
      }
    }
    column(x) { return Math.floor((x - this.west) / this.size); }
    row(y) { return Math.floor((y - this.north) / this.size); }
    add(link, v) {
      const { x, y } = this.shape;
      for (let r = this.row(Math.min(y[v], y[v + 1])); r <= this.row(Math.max(y[v], y[v + 1])); r += 1) {
        for (let c = this.column(Math.min(x[v], x[v + 1])); c <= this.column(Math.max(x[v], x[v + 1])); c += 1) {
          const cell = r * this.wide + c;
          const list = this.cells.get(cell);
          if (list) list.push(link, v); else this.cells.set(cell, [link, v]);
        }
      }
    }
    /** The link nearest to (px, py) within `reach`, and the segment: {link, vertex} or null. */
    nearest(px, py, reach) {
      const { x, y } = this.shape;
      let best = reach, found = null;
      for (let r = this.row(py - reach); r <= this.row(py + reach); r += 1) {
        for (let c = this.column(px - reach); c <= this.column(px + reach); c += 1) {
          const list = c >= 0 && c < this.wide ? this.cells.get(r * this.wide + c) : undefined;
          for (let k = 0; list && k < list.length; k += 2) {
            const v = list[k + 1];
            const dx = x[v + 1] - x[v], dy = y[v + 1] - y[v];
            const share = Math.max(0, Math.min(1, ((px - x[v]) * dx + (py - y[v]) * dy) / (dx * dx + dy * dy || 1)));
            const away = Math.hypot(px - x[v] - share * dx, py - y[v] - share * dy);
            if (away < best) { best = away; found = { link: list[k], vertex: v }; }
          }
        }
      }
      return found;
    }
  }

  /** The point halfway along a line, and the direction there. */
  countmap.middle = (shape, row) => {
    const { start, x, y } = shape;
    let total = 0;
    for (let v = start[row]; v < start[row + 1] - 1; v += 1) total += Math.hypot(x[v + 1] - x[v], y[v + 1] - y[v]);
    let rest = total / 2;
    for (let v = start[row]; v < start[row + 1] - 1; v += 1) {
      const dx = x[v + 1] - x[v], dy = y[v + 1] - y[v];
      const length = Math.hypot(dx, dy);
      if (length >= rest && length > 0) {
        return { x: x[v] + (dx * rest) / length, y: y[v] + (dy * rest) / length, angle: Math.atan2(dy, dx), total };
      }
      rest -= length;
    }
    return { x: x[start[row]], y: y[start[row]], angle: 0, total };
  };

  /** The middling extent of a link, world units: how closely the network is meshed. */
  function middling(box) {
    const sizes = [];
    for (let k = 0; k < box.length; k += 4) sizes.push(Math.max(box[k + 2] - box[k], box[k + 3] - box[k + 1]));
    return sizes.sort((a, b) => a - b)[sizes.length >> 1] || 0;
  }

  const group = (keys) => {
    const rows = new Map();
    keys.forEach((key, row) => { if (rows.has(key)) rows.get(key).push(row); else rows.set(key, [row]); });
    return rows;
  };

  /** Build the model from the unpacked tables. */
  countmap.model = (tables, head) => {
    const { links, stations, junctions, screenlines } = tables;
    const model = {
      head, ...tables,
      shape: project(links.shape),
      lines: project(screenlines.shape),
      shores: project(tables.water.shape),
      placeX: tables.places.lon.map(worldX), placeY: tables.places.lat.map(worldY),
      stationRow: new Map(stations.station_id.map((id, row) => [id, row])),
      linkRow: new Map(links.link_id.map((id, row) => [id, row])),
      findingsOf: group(tables.findings.station_id),
      flagsOf: group(tables.flags.station_id),
      yearsOf: group(tables.years.station_id),
      stationX: stations.lon.map(worldX), stationY: stations.lat.map(worldY),
      junctionX: junctions.lon.map(worldX), junctionY: junctions.lat.map(worldY),
    };
    let grid = null;
    model.nearest = (x, y, reach) => (grid = grid || new Grid(model.shape)).nearest(x, y, reach);
    model.size = middling(model.shape.box);
    model.most = links.figure.reduce((most, value) => (value > most ? value : most), 1);
    model.named = (row) => stations.name[row] || stations.station_id[row];
    model.road = (row) => links.name[row] || `Link ${links.link_id[row]}`;
    model.number = (table, column, row) => { const v = table[column][row]; return Number.isNaN(v) ? null : v; };
    const { pairs } = tables;
    /** The row of the pair whose sum stands for a link, or −1. */
    model.pair = (row) => (Number.isNaN(links.pair[row]) || Number.isNaN(pairs.figure[links.pair[row]]) ? -1 : links.pair[row]);
    model.linksOf = (pair) => pairs.links[pair].split(" ").filter((id) => model.linkRow.has(id)).map((id) => model.linkRow.get(id));
    let details = null;
    model.details = () => (details = details || countmap.unpack("countmap-details").then(countmap.details));
    return model;
  };

  /** Index the panel's tables by station row. */
  countmap.details = (tables) => {
    const ends = (lengths) => { let at = 0; return Array.from(lengths, (n) => { const from = at; at += n; return [from, at]; }); };
    const spans = ends(tables.series.days);
    const profilesOf = group(Array.from(tables.profiles.station));
    const seriesOf = group(Array.from(tables.series.station));
    const recordsOf = group(Array.from(tables.records.station));
    const mixOf = group(Array.from(tables.mixes.station));
    const classesOf = group(Array.from(tables.classes.station));
    const stepsOf = group(Array.from(tables.steps.station));
    return {
      profile(station) {
        const out = {};
        for (const row of profilesOf.get(station) || []) {
          const day = (out[tables.profiles.day[row]] ||= {});
          day[tables.profiles.sense[row]] = tables.profile_values.value.subarray(row * 24, row * 24 + 24);
        }
        return out;
      },
      series(station) {
        const row = (seriesOf.get(station) || [])[0];
        if (row === undefined) return null;
        const [from, to] = spans[row];
        return {
          first: tables.series.first[row],
          count: tables.series_values.count.subarray(from, to),
          excluded: tables.series_values.excluded.subarray(from, to),
        };
      },
      /** The installation records of a station: [[survey, [[label, value], …]], …]. */
      records(station) {
        const found = new Map();
        for (const row of recordsOf.get(station) || []) {
          const survey = tables.records.survey[row];
          if (!found.has(survey)) found.set(survey, []);
          found.get(survey).push([tables.records.label[row], tables.records.value[row]]);
        }
        return [...found];
      },
      design: (station) => tables.design.words[station],
      /** Class and speed of a station, or null. */
      mix(station) {
        const row = (mixOf.get(station) || [])[0];
        if (row === undefined) return null;
        const value = (name) => { const v = tables.mixes[name][row]; return Number.isNaN(v) ? null : v; };
        return {
          first: value("first"), last: value("last"), heavy: value("heavy"), heavyWhy: tables.mixes.heavy_why[row], classified: value("classified"),
          scheme: tables.mixes.scheme[row], speed: value("speed85_kmh"), speedWhy: tables.mixes.speed_why[row], timed: value("timed"),
          classes: (classesOf.get(station) || []).map((k) => [tables.classes.word[k], tables.classes.count[k]]),
        };
      },
      steps: (station) => (stepsOf.get(station) || []).map((row) => [tables.steps.label[row], tables.steps.value[row]]),
    };
  };
})();
