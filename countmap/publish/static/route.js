/* The road graph as the browser needs it: which links meet where, and the shortest way between two places.
   Links meet where their drawn ends are one point of the packed grid. */
"use strict";

(() => {
  /** A heap of [cost, node], least first. */
  class Heap {
    constructor() { this.cost = []; this.node = []; }
    get size() { return this.node.length; }
    swap(a, b) {
      [this.cost[a], this.cost[b]] = [this.cost[b], this.cost[a]];
      [this.node[a], this.node[b]] = [this.node[b], this.node[a]];
    }
    push(cost, node) {
      this.cost.push(cost); this.node.push(node);
      for (let k = this.size - 1; k > 0 && this.cost[k] < this.cost[(k - 1) >> 1]; k = (k - 1) >> 1) this.swap(k, (k - 1) >> 1);
    }
    pop() {
      const top = [this.cost[0], this.node[0]];
      this.swap(0, this.size - 1);
      this.cost.pop(); this.node.pop();
      for (let k = 0; ;) {
        let least = k;
        for (const child of [2 * k + 1, 2 * k + 2]) if (child < this.size && this.cost[child] < this.cost[least]) least = child;
        if (least === k) return top;
        this.swap(k, least);
        k = least;
      }
    }
  }

  /** Node of each link's two ends, and the links at each node: node n has links[at[n]] .. links[at[n + 1]]. */
  function graph({ links }) {
    const { start, lon, lat } = links.shape;
    const nodes = new Map();
    const numbered = (v) => {
      const key = Math.round(lon[v] * 1e5) * 4e7 + Math.round(lat[v] * 1e5);
      if (!nodes.has(key)) nodes.set(key, nodes.size);
      return nodes.get(key);
    };
    const from = new Int32Array(links.rows), to = new Int32Array(links.rows);
    for (let row = 0; row < links.rows; row += 1) { from[row] = numbered(start[row]); to[row] = numbered(start[row + 1] - 1); }
    const at = new Int32Array(nodes.size + 1), list = new Int32Array(2 * links.rows);
    for (let row = 0; row < links.rows; row += 1) { at[from[row] + 1] += 1; at[to[row] + 1] += 1; }
    for (let n = 0; n < nodes.size; n += 1) at[n + 1] += at[n];
    const next = at.slice();
    for (let row = 0; row < links.rows; row += 1) { list[next[from[row]]++] = row; list[next[to[row]]++] = row; }
    const cluster = new Int32Array(nodes.size).fill(-1), members = new Map();
    const join = (node, key) => {
      if (Number.isNaN(key) || cluster[node] === key) return;
      cluster[node] = key;
      if (members.has(key)) members.get(key).push(node); else members.set(key, [node]);
    };
    for (let row = 0; row < links.rows; row += 1) { join(from[row], links.from_cluster[row]); join(to[row], links.to_cluster[row]); }
    return {
      from, to, size: nodes.size,
      at: (node) => list.subarray(at[node], at[node + 1]),
      /** All nodes of the junction a node belongs to. */
      place: (node) => (cluster[node] < 0 ? [node] : members.get(cluster[node])),
      /** Whether a link lies within one junction. */
      inside: (row) => cluster[from[row]] >= 0 && cluster[from[row]] === cluster[to[row]],
    };
  }

  const metres = (model, row) => Math.max(model.links.length_m[row], 0.5);

  /** Whether a link carries traffic as drawn (or against it). */
  countmap.carries = (model, row, sense) => model.links.allowed[row] === "both" || model.links.allowed[row] === sense;

  /** How far along its link a station lies, metres. */
  countmap.offset = (model, station) => {
    const row = model.stations.link[station];
    const { start, x, y } = model.shape;
    const [px, py] = [model.stationX[station], model.stationY[station]];
    let best = Infinity, at = 0, run = 0;
    for (let v = start[row]; v < start[row + 1] - 1; v += 1) {
      const [dx, dy] = [x[v + 1] - x[v], y[v + 1] - y[v]];
      const length = Math.hypot(dx, dy);
      const share = length ? Math.max(0, Math.min(1, ((px - x[v]) * dx + (py - y[v]) * dy) / length ** 2)) : 0;
      const away = Math.hypot(px - x[v] - share * dx, py - y[v] - share * dy);
      if (away < best) { best = away; at = run + share * length; }
      run += length;
    }
    return run ? (at / run) * metres(model, row) : 0;
  };

  /** The shortest way between two places {link, at} (metres along the link) by the senses that carry traffic:
      legs {row, forward, begin, end} in metres from the start, begin and end of the whole link; null if there is none. */
  countmap.route = (model, a, b) => {
    const g = (model.graph ||= graph(model));
    const long = (row) => metres(model, row);
    const straight = b.at >= a.at;
    let least = a.link === b.link && countmap.carries(model, a.link, straight ? "with" : "against") ? Math.abs(b.at - a.at) : Infinity;
    let last = least < Infinity ? "here" : "";
    const cost = new Float64Array(g.size).fill(Infinity), by = new Int32Array(g.size).fill(-1);
    const done = new Uint8Array(g.size);
    const heap = new Heap();
    const reach = (node, length, row) => { if (length < cost[node]) { cost[node] = length; by[node] = row; heap.push(length, node); } };
    if (countmap.carries(model, a.link, "with")) reach(g.to[a.link], long(a.link) - a.at, a.link);
    if (countmap.carries(model, a.link, "against")) reach(g.from[a.link], a.at, a.link);
    while (heap.size) {
      const [length, node] = heap.pop();
      if (done[node] || length >= least) continue;
      done[node] = 1;
      if (node === g.from[b.link] && countmap.carries(model, b.link, "with") && length + b.at < least) { least = length + b.at; last = node; }
      if (node === g.to[b.link] && countmap.carries(model, b.link, "against") && length + long(b.link) - b.at < least) { least = length + long(b.link) - b.at; last = node; }
      for (const row of g.at(node)) {
        if (g.from[row] === node && countmap.carries(model, row, "with")) reach(g.to[row], length + long(row), row);
        if (g.to[row] === node && countmap.carries(model, row, "against")) reach(g.from[row], length + long(row), row);
      }
    }
    if (last === "") return null;
    if (last === "here") return { length: least, nodes: [], legs: [{ row: a.link, forward: straight, begin: straight ? -a.at : a.at - long(a.link), end: straight ? long(a.link) - a.at : a.at }] };
    return walked(model, g, { a, b, by, last, cost, least });
  };

  /** Read the way back from the last node. */
  function walked(model, g, { a, b, by, last, cost, least }) {
    const long = (row) => metres(model, row);
    const nodes = [last];
    const legs = [];
    for (let node = last, first = false; !first;) {
      const row = by[node];
      const forward = g.to[row] === node && !(g.from[row] === node && !countmap.carries(model, row, "with"));
      const other = forward ? g.from[row] : g.to[row];
      first = row === a.link && Math.abs(cost[node] - (forward ? long(row) - a.at : a.at)) < 1e-6;
      legs.unshift({ row, forward, begin: cost[node] - long(row), end: cost[node] });
      if (!first) { nodes.unshift(other); node = other; }
    }
    const forward = g.from[b.link] === last && countmap.carries(model, b.link, "with") && Math.abs(cost[last] + b.at - least) < 1e-6;
    legs.push({ row: b.link, forward, begin: cost[last], end: cost[last] + long(b.link) });
    return { length: least, nodes: nodes.map((node) => ({ node, at: cost[node] })), legs };
  }
})();
