/* A Leaflet layer that is one canvas a little larger than the view; it is redrawn when the view rests. */
"use strict";

(() => {
  const MARGIN = 0.1;

  countmap.Canvas = L.Layer.extend({
    /** `needed` says whether there is anything to draw; without it there always is. */
    initialize(draw, pane, needed) {
      this._draw = draw;
      this._needed = needed || (() => true);
      this.options.pane = pane;
    },

    onAdd(map) {
      this._canvas = countmap.el("canvas", { class: "leaflet-zoom-animated", "aria-hidden": "true" });
      map.getPane(this.options.pane).append(this._canvas);
      map.on("moveend viewreset resize", this.redraw, this);
      map.on("zoomanim", this._follow, this);
      this.redraw();
    },

    onRemove(map) {
      this._canvas.remove();
      map.off("moveend viewreset resize", this.redraw, this).off("zoomanim", this._follow, this);
    },

    /** Draw now. The frame says how world units become pixels of the canvas, and what is in sight. */
    redraw() {
      const map = this._map;
      if (!map) return;
      const needed = this._needed();
      this._canvas.style.display = needed ? "" : "none";
      if (!needed) return;
      const size = map.getSize();
      const corner = map.containerPointToLayerPoint(size.multiplyBy(-MARGIN)).round();
      const [width, height] = [Math.ceil(size.x * (1 + 2 * MARGIN)), Math.ceil(size.y * (1 + 2 * MARGIN))];
      const fine = Math.min(2, window.devicePixelRatio || 1);
      const canvas = this._canvas;
      if (canvas.width !== width * fine || canvas.height !== height * fine) {
        canvas.width = width * fine;
        canvas.height = height * fine;
        canvas.style.width = `${width}px`;
        canvas.style.height = `${height}px`;
      }
      this._zoom = map.getZoom();
      this._centre = map.getCenter();
      L.DomUtil.setPosition(canvas, corner);
      const ctx = canvas.getContext("2d");
      ctx.setTransform(fine, 0, 0, fine, 0, 0);
      ctx.clearRect(0, 0, width, height);
      this._draw(ctx, this._frame(corner, width, height, MARGIN));
    },

    /** Draw into another context, exactly as large as the view. */
    drawInto(ctx) {
      const size = this._map.getSize();
      this._draw(ctx, this._frame(this._map.containerPointToLayerPoint([0, 0]), size.x, size.y, 0));
    },

    _frame(corner, width, height, margin) {
      const map = this._map;
      const size = map.getSize();
      const origin = map.getPixelOrigin().add(corner);
      const zoom = map.getZoom();
      const scale = 2 ** zoom;
      return {
        zoom, scale, width, height, corner, left: origin.x, top: origin.y,
        view: [size.x * margin, size.y * margin, size.x * (1 + margin), size.y * (1 + margin)],
        box: [origin.x / scale, origin.y / scale, (origin.x + width) / scale, (origin.y + height) / scale],
        x: (world) => world * scale - origin.x,
        y: (world) => world * scale - origin.y,
      };
    },

    _follow({ center, zoom }) {
      if (this._centre === undefined) return;
      const map = this._map;
      const scale = map.getZoomScale(zoom, this._zoom);
      const half = map.getSize().multiplyBy(0.5 + MARGIN);
      const from = map.project(this._centre, zoom);
      const offset = half.multiplyBy(-scale).add(from).subtract(map._getNewPixelOrigin(center, zoom));
      L.DomUtil.setTransform(this._canvas, offset, scale);
    },
  });
})();
