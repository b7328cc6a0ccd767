/* How a figure becomes ink: width, fringe, cut and shade. The canvas and the key use the same rules. */
"use strict";

(() => {
  const STATUS = {
    measured: { word: "measured", dash: [], doc: "a permanent counter" },
    estimated: { word: "estimated", dash: [15, 4], doc: "a short count, expanded to the year" },
    unadjusted: { word: "unadjusted", dash: [15, 4, 2, 4], doc: "a short count as it stands" },
    inferred: { word: "inferred", dash: [6, 4], doc: "from counts nearby, by balance" },
    modelled: { word: "modelled", dash: [0, 5], doc: "rests on a stated assumption", round: true },
    unobservable: { word: "unobservable", dash: [], doc: "nothing says" },
  };
  const LEAST = 1.6;

  const read = (name) => getComputedStyle(countmap.byId("sheet")).getPropertyValue(name).trim();

  const parse = (colour) => {
    const hex = colour.replace("#", "");
    return [0, 2, 4].map((at) => parseInt(hex.slice(at, at + 2), 16));
  };
  const mix = (a, b, share) => {
    const [from, to] = [parse(a), parse(b)];
    return `rgb(${from.map((value, k) => Math.round(value + (to[k] - value) * share)).join(",")})`;
  };

  /** The inks of the sheet as it is lit now. */
  countmap.inks = () => {
    const ink = { paper: read("--paper"), ink: read("--band"), text: read("--ink"), light: read("--band-light"), accent: read("--accent"), rule: read("--rule"), water: read("--water"), soft: read("--soft") };
    return { ...ink, mix, shade: (share) => mix(ink.light, ink.ink, share), fringe: mix(ink.paper, ink.ink, 0.24), faint: mix(ink.paper, ink.ink, 0.3) };
  };

  countmap.STATUS = STATUS;

  /** Where roads lie close together on the screen, fringes shrink, and the key with them. */
  const room = (zoom) => Math.max(0.35, Math.min(1, (zoom - 9) / 4));

  countmap.scale = {
    /** The widest band at this zoom, pixels. */
    widest: (zoom) => Math.max(7, Math.min(22, 7 + (zoom - 11) * 2.6)),
    /** Width grows with the square root of the flow. */
    width: (flow, most, zoom) => Math.max(LEAST, Math.sqrt(flow / most) * countmap.scale.widest(zoom)),
    /** The fringe on each side, pixels: what one cannot be sure of. ± 10 % is 2 px; beside a thin band it stays
        thin, so that small roads nobody counted do not cover the map. */
    fringe: (rel, zoom, width = 6) => Math.min(10, 1.5 + width, 0.4 + rel * 17) * room(zoom),
    /** On the sheet that asks how sure, the fringe carries the view and is drawn twice as wide. */
    doubt: (rel, zoom) => Math.min(20, 0.8 + rel * 34) * room(zoom),
    /** A pattern's lengths grow with the band, so that a wide band's dash is still a dash. */
    dash: (status, width) => {
      const size = Math.max(1, width / 6);
      if (status === "modelled") return [0, Math.max(5, width * 1.7)];
      return STATUS[status].dash.map((part) => part * size);
    },
    /** Round figures at or below the most, a quarter and a sixteenth of it: half the width each time. */
    samples: (most) => [most, most / 4, most / 16].map((value) => {
      const unit = 10 ** Math.floor(Math.log10(Math.max(value, 1)));
      return [5, 4, 3, 2.5, 2, 1.5, 1].map((step) => step * unit).find((round) => round <= value) || 1;
    }),
  };
})();
