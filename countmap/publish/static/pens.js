/* The pens of the marks: words with the paper around them, stations, ticks, the sign of a disagreement;
   and the room they share, so that none covers another. */
"use strict";

(() => {
  const TAU = 2 * Math.PI;
  const FONT = "14px system-ui, sans-serif";
  const SERIF = "italic 16px 'Iowan Old Style', Palatino, Georgia, serif";

  /** Keeps what is drawn from covering what was drawn before. */
  class Room {
    constructor() { this.cells = new Map(); }
    /** Call `see` with the number of each cell a box touches, until it answers true. */
    some(left, top, right, bottom, see) {
      for (let c = Math.floor(left / 64); c <= Math.floor(right / 64); c += 1) {
        for (let r = Math.floor(top / 64); r <= Math.floor(bottom / 64); r += 1) {
          if (see(c * 4096 + r)) return true;
        }
      }
      return false;
    }
    add(...box) {
      this.some(...box, (key) => { const list = this.cells.get(key); if (list) list.push(box); else this.cells.set(key, [box]); });
    }
    /** Whether a box covers what was drawn before. */
    meets(left, top, right, bottom) {
      const over = (b) => left < b[2] && right > b[0] && top < b[3] && bottom > b[1];
      return this.some(left, top, right, bottom, (key) => { const list = this.cells.get(key); return list !== undefined && list.some(over); });
    }
    /** How many things drawn before a box would cover. */
    hits(left, top, right, bottom) {
      const covered = new Set();
      this.some(left, top, right, bottom, (key) => {
        for (const b of this.cells.get(key) || []) if (left < b[2] && right > b[0] && top < b[3] && bottom > b[1]) covered.add(b);
      });
      return covered.size;
    }
    /** Take a box if it covers nothing. */
    take(...box) {
      if (this.meets(...box)) return false;
      this.add(...box);
      return true;
    }
  }

  /** Text with the paper's colour around it, so that it reads across a band. */
  function write(ctx, ink, text, x, y, { colour = ink.text, bold = false, align = "left", font = bold ? `600 ${FONT}` : FONT } = {}) {
    ctx.font = font;
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

  countmap.pens = { FONT, SERIF, Room, write, station, tick, unequal };
})();
