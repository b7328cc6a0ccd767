/* For print the canvases are drawn once more as SVG: lines stay sharp on paper whatever the printer's grain.
   `Pencil` understands the few commands of a canvas context that roads.js and marks.js use. */
"use strict";

(() => {
  const { svg } = countmap;

  class Pencil {
    constructor(root) {
      this.root = root;
      this.path = "";
      this.dash = [];
      this.matrix = [1, 0, 0, 1, 0, 0];
      this.stack = [];
      this.fillStyle = this.strokeStyle = "#000000";
      this.lineWidth = 1;
      this.lineCap = "butt";
      this.lineJoin = "round";
      this.font = "14px sans-serif";
      this.textAlign = "left";
      this.ruler = document.createElement("canvas").getContext("2d");
    }
    beginPath() { this.path = ""; }
    moveTo(x, y) { this.path += `M${x.toFixed(1)},${y.toFixed(1)}`; }
    lineTo(x, y) { this.path += `L${x.toFixed(1)},${y.toFixed(1)}`; }
    closePath() { this.path += "Z"; }
    rect(x, y, width, height) { this.path += `M${x},${y}h${width}v${height}h${-width}Z`; }
    /** Full circles only. */
    arc(x, y, r) { this.path += `M${(x + r).toFixed(1)},${y.toFixed(1)}a${r},${r} 0 1 1 ${-2 * r},0a${r},${r} 0 1 1 ${2 * r},0`; }
    setLineDash(dash) { this.dash = dash; }
    save() { this.stack.push([...this.matrix]); }
    restore() { this.matrix = this.stack.pop(); }
    translate(x, y) {
      const [a, b, c, d, e, f] = this.matrix;
      this.matrix = [a, b, c, d, e + a * x + c * y, f + b * x + d * y];
    }
    rotate(angle) {
      const [a, b, c, d, e, f] = this.matrix;
      const [cos, sin] = [Math.cos(angle), Math.sin(angle)];
      this.matrix = [a * cos + c * sin, b * cos + d * sin, c * cos - a * sin, d * cos - b * sin, e, f];
    }
    place() { return this.matrix.every((value, k) => value === (k % 3 ? 0 : k < 4 ? 1 : 0)) ? null : `matrix(${this.matrix.map((v) => v.toFixed(4)).join(" ")})`; }
    add(tag, attributes, ...children) { this.root.append(svg(tag, { transform: this.place(), ...attributes }, ...children)); }
    stroke() {
      if (!this.path) return;
      this.add("path", { d: this.path, fill: "none", stroke: this.strokeStyle, "stroke-width": this.lineWidth, "stroke-linecap": this.lineCap, "stroke-linejoin": this.lineJoin, "stroke-dasharray": this.dash.length ? this.dash.join(" ") : null });
    }
    fill(rule) { if (this.path) this.add("path", { d: this.path, fill: this.fillStyle, "fill-rule": rule || null }); }
    measureText(text) { this.ruler.font = this.font; return this.ruler.measureText(text); }
    words(text, x, y, attributes) {
      const anchor = { left: "start", center: "middle", right: "end" }[this.textAlign];
      this.add("text", { x, y, style: `font: ${this.font}`, "text-anchor": anchor, "dominant-baseline": "central", ...attributes }, text);
    }
    strokeText(text, x, y) { this.words(text, x, y, { fill: "none", stroke: this.strokeStyle, "stroke-width": this.lineWidth, "stroke-linejoin": "round" }); }
    fillText(text, x, y) { this.words(text, x, y, { fill: this.fillStyle }); }
  }

  /** Lay a drawing of these layers over the map for as long as the page is being printed. */
  countmap.printed = (map, layers) => {
    const old = countmap.byId("printed");
    if (old) old.remove();
    if (!layers) return;
    const size = map.getSize();
    const drawing = svg("svg", { id: "printed", class: "printed", width: size.x, height: size.y, viewBox: `0 0 ${size.x} ${size.y}`, "aria-hidden": "true" });
    const pencil = new Pencil(drawing);
    for (const layer of layers) layer.drawInto(pencil);
    countmap.byId("plot").append(drawing);
  };
})();
