/* The shared name space and the few helpers every other script uses.
   Text reaches the page as text nodes only: nothing here, or in any other script, parses markup. */
"use strict";

const countmap = {};

(() => {
  const SVG = "http://www.w3.org/2000/svg";

  function build(node, attributes, children) {
    for (const [name, value] of Object.entries(attributes || {})) {
      if (value === null || value === undefined || value === false) continue;
      if (typeof value === "function") node.addEventListener(name, value);
      else node.setAttribute(name, value === true ? "" : String(value));
    }
    for (const child of children.flat(Infinity)) {
      if (child === null || child === undefined || child === "") continue;
      node.append(child instanceof Node ? child : document.createTextNode(String(child)));
    }
    return node;
  }

  /** An HTML element: attributes by name, listeners as functions under the event's name. */
  countmap.el = (tag, attributes, ...children) => build(document.createElement(tag), attributes, children);

  /** An SVG element, the same way. */
  countmap.svg = (tag, attributes, ...children) => build(document.createElementNS(SVG, tag), attributes, children);

  countmap.byId = (id) => document.getElementById(id);

  const whole = new Intl.NumberFormat("en-GB", { maximumFractionDigits: 0 });

  /** 9400 → "9,400"; null → "no figure". */
  countmap.figure = (value) => (value === null ? "no figure" : whole.format(value));

  /** 0.071 → "± 7 %"; below one per cent to a tenth; null → "". */
  countmap.percent = (share) => {
    if (share === null) return "";
    const percent = share * 100;
    return `± ${percent < 1 ? percent.toFixed(1) : Math.round(percent)} %`;
  };

  countmap.many = (count, one, more) => `${whole.format(count)} ${count === 1 ? one : more || `${one}s`}`;

  /** Days since 1970 → a Date at midnight UTC. */
  countmap.day = (days) => new Date(days * 86400000);

  const long = new Intl.DateTimeFormat("en-GB", { day: "numeric", month: "short", year: "numeric", timeZone: "UTC" });
  countmap.date = (days) => long.format(countmap.day(days));

  /** Lower case without accents, for searching. */
  countmap.plain = (text) => text.normalize("NFD").replace(/\p{M}/gu, "").toLowerCase();

  countmap.clear = (node) => { while (node.firstChild) node.firstChild.remove(); };

  countmap.reducedMotion = () => matchMedia("(prefers-reduced-motion: reduce)").matches;
})();
