/* Small charts in SVG: the day by the hour, the days of a series, the years. Labelled on the data. */
"use strict";

(() => {
  const { svg } = countmap;
  const WIDE = 352;
  const MONTHS = "JFMAMJJASOND";

  const label = (x, y, text, attributes = {}) => svg("text", { x, y, ...attributes }, text);

  /** The top of an axis: a round number at or above the largest value. */
  const ceiling = (countmap.ceiling = (value) => {
    const unit = 10 ** Math.floor(Math.log10(Math.max(value, 1)));
    return [1, 1.5, 2, 3, 4, 5, 6, 8, 10].map((step) => step * unit).find((top) => top >= value);
  });

  /** The outline of 24 hours as steps; a missing hour is a gap. Returns [outline, area]. */
  function steps(values, x, y, base) {
    let line = "", area = "", open = false;
    values.forEach((value, hour) => {
      if (Number.isNaN(value)) { if (open) area += `L${x(hour)},${base}Z`; open = false; return; }
      if (!open) { line += `M${x(hour)},${y(value)}`; area += `M${x(hour)},${base}L${x(hour)},${y(value)}`; }
      else { line += `L${x(hour)},${y(value)}`; area += `L${x(hour)},${y(value)}`; }
      line += `H${x(hour + 1)}`;
      area += `H${x(hour + 1)}`;
      open = true;
    });
    return [line, open ? `${area}L${x(24)},${base}Z` : area];
  }

  const peak = (values) => {
    let hour = -1;
    values.forEach((value, h) => { if (value > (hour < 0 ? -1 : values[hour])) hour = h; });
    return hour;
  };

  /** Weekday and weekend side by side on one scale; sense with upwards, against downwards. */
  countmap.profileChart = (profile, names, year) => {
    const days = ["weekday", "weekend"].filter((day) => profile[day]);
    if (!days.length) return null;
    const all = days.flatMap((day) => Object.values(profile[day]).flatMap((values) => [...values])).filter((value) => !Number.isNaN(value));
    const top = ceiling(Math.max(1, ...all));
    const down = days.some((day) => profile[day].against);
    const up = days.some((day) => profile[day].with || profile[day].both);
    const half = 62;
    const zero = 36 + (up ? half : 0);
    const bottom = zero + (down ? half + 18 : 0);
    const wide = (WIDE - 16) / 2;
    const parts = [], said = [];
    days.forEach((day, k) => {
      const left = k * (wide + 16);
      const x = (hour) => left + (hour / 24) * wide;
      parts.push(label(left, 12, day === "weekday" ? "Monday to Friday" : "Saturday, Sunday", { class: "strong" }));
      for (const hour of [0, 6, 12, 18, 24]) {
        parts.push(svg("line", { x1: x(hour), x2: x(hour), y1: up ? zero - half : zero, y2: down ? zero + half : zero, class: "grid" }));
        parts.push(label(x(hour), bottom + 16, hour, { "text-anchor": hour === 0 ? "start" : hour === 24 ? "end" : "middle", class: "soft" }));
      }
      for (const [sense, sign] of [["both", 1], ["with", 1], ["against", -1]]) {
        const values = profile[day][sense];
        if (!values || (sense === "both" && profile[day].with)) continue;
        const y = (value) => (zero - (sign * value * half) / top).toFixed(1);
        const [line, area] = steps(values, x, y, zero);
        parts.push(svg("path", { d: area, class: "area" }), svg("path", { d: line, class: "line" }));
        const at = peak(values);
        if (at >= 0) {
          const anchor = at > 17 ? "end" : at < 6 ? "start" : "middle";
          const height = Number(y(values[at]));
          parts.push(label(x(at + 0.5), sign > 0 ? height - 4 : height + 14, countmap.figure(values[at]), { "text-anchor": anchor, class: "halo" }));
          said.push(`${day}, ${names[sense]}: peak ${countmap.figure(values[at])} at ${at} to ${at + 1} h`);
        }
      }
      parts.push(svg("line", { x1: left, x2: left + wide, y1: zero, y2: zero, class: "axis" }));
    });
    return countmap.el("figure", { class: "chart" },
      svg("svg", { viewBox: `0 0 ${WIDE} ${bottom + 22}`, role: "img", "aria-label": `${year}, ${said.join("; ")}` }, parts),
      countmap.el("figcaption", {}, down
        ? `Vehicles an hour, ${year}: up, ${names[profile[days[0]].with ? "with" : "both"]}; down, ${names.against}.`
        : `Vehicles an hour, ${year}, ${names[profile[days[0]].both ? "both" : "with"]}.`));
  };

  /** Every day a stroke: missing is a gap; a day excluded is hatched from top to bottom, so that zeros show too,
      with its count outlined in it; the annual average and its interval behind. */
  countmap.seriesChart = (series, annual, flagged) => {
    const days = series.count.length;
    const counts = Array.from(series.count).filter((value) => !Number.isNaN(value));
    if (!counts.length) return null;
    const top = ceiling(Math.max(...counts, annual.upper || 0));
    const [ceil, floor] = [18, 98];
    const step = Math.min(WIDE / days, 26);
    const wide = step * days;
    const y = (value) => floor - (value / top) * (floor - ceil);
    const stroke = Math.max(0.6, Math.min(step * 0.72, 12));
    let taken = "", left = "", out = 0;
    const hatched = [];
    series.count.forEach((value, k) => {
      if (Number.isNaN(value)) return;
      const x = k * step + step / 2;
      if (series.excluded[k]) {
        out += 1;
        hatched.push(svg("rect", { x: k * step, y: ceil, width: step, height: floor - ceil, class: "hatch" }));
        left += `M${(x - stroke / 2).toFixed(2)},${floor}V${y(value).toFixed(1)}h${stroke.toFixed(2)}V${floor}`;
      } else taken += `M${x.toFixed(2)},${floor}V${y(value).toFixed(1)}`;
    });
    const parts = [
      svg("defs", {}, svg("pattern", { id: "hatching", width: 4, height: 4, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" },
        svg("rect", { width: 4, height: 4, class: "hatch-ground" }), svg("rect", { width: 1.4, height: 4, class: "hatch-line" }))),
    ];
    if (annual.lower !== null) parts.push(svg("rect", { x: 0, width: wide, y: y(annual.upper), height: Math.max(1, y(annual.lower) - y(annual.upper)), class: "band" }));
    parts.push(svg("path", { d: taken, class: "strokes", "stroke-width": stroke }), ...hatched, svg("path", { d: left, class: "left" }));
    if (annual.figure !== null) {
      parts.push(svg("line", { x1: 0, x2: wide, y1: y(annual.figure), y2: y(annual.figure), class: "mean" }));
      parts.push(label(0, Math.max(12, y(annual.upper ?? annual.figure) - 5), `average day ${countmap.figure(annual.figure)}`, { class: "halo" }));
    }
    parts.push(svg("line", { x1: 0, x2: wide, y1: floor, y2: floor, class: "axis" }));
    for (const day of flagged) {
      if (day < series.first || day >= series.first + days) continue;
      const x = (day - series.first) * step + step / 2;
      parts.push(svg("path", { d: `M${x - 3},${floor + 8}L${x + 3},${floor + 1}`, class: "flag" }));
    }
    parts.push(...ticks(series.first, days, step, floor + 20));
    const missing = days - counts.length;
    const caption = [
      `Vehicles a day, ${countmap.date(series.first)} to ${countmap.date(series.first + days - 1)}: ${countmap.many(counts.length - out, "day")} used`,
      missing ? `${missing} missing (gaps)` : "", out ? `${out} excluded (hatched)` : "",
    ].filter(Boolean).join(", ");
    return countmap.el("figure", { class: "chart" },
      svg("svg", { viewBox: `0 0 ${WIDE} 124`, role: "img", "aria-label": caption }, parts),
      countmap.el("figcaption", {}, `${caption}.`));
  };

  function ticks(first, days, step, y) {
    const parts = [];
    for (let k = 0; k < days; k += 1) {
      const date = countmap.day(first + k);
      if (days <= 31) {
        parts.push(label(k * step + step / 2, y, days * step < 200 && days > 14 ? "" : "SMTWTFS"[date.getUTCDay()], { "text-anchor": "middle", class: "soft" }));
      } else if (date.getUTCDate() === 1) {
        const x = k * step;
        parts.push(svg("line", { x1: x, x2: x, y1: y - 20, y2: y - 15, class: "axis" }));
        if (days < 800 || date.getUTCMonth() === 0) parts.push(label(x + 3, y, days < 800 ? MONTHS[date.getUTCMonth()] : date.getUTCFullYear(), { class: "soft" }));
      }
    }
    return parts;
  }

  /** Shares as bars with their words, the largest first: who drives there. */
  countmap.shareChart = (parts, says) => {
    const total = parts.reduce((sum, [, count]) => sum + count, 0);
    if (!total) return null;
    const rows = [...parts].sort((a, b) => b[1] - a[1]);
    const named = 168, row = 20;
    const wide = WIDE - named - 48;
    const most = rows[0][1] / total;
    const percent = (share) => `${share >= 0.0995 ? Math.round(share * 100) : (share * 100).toFixed(1)} %`;
    const words = rows.map(([word, count]) => `${word} ${percent(count / total)}`).join(", ");
    return countmap.el("figure", { class: "chart" },
      svg("svg", { viewBox: `0 0 ${WIDE} ${rows.length * row + 2}`, role: "img", "aria-label": `${says}: ${words}` }, rows.map(([word, count], k) => {
        const length = Math.max(1, (count / total / most) * wide);
        return [label(named - 8, k * row + 15, word.length > 24 ? `${word.slice(0, 23)}…` : word, { "text-anchor": "end" }),
          svg("rect", { x: named, y: k * row + 4, width: length, height: row - 8, class: "bar" }), label(named + length + 5, k * row + 15, percent(count / total))];
      })),
      countmap.el("figcaption", {}, `${says}.`));
  };

  /** The annual averages by year, each with its interval. A line joins years of one kind of figure; where the
      kind changed or a year is missing it breaks. */
  countmap.yearsChart = (years) => {
    const from = Math.min(...years.map((y) => y.year)), to = Math.max(...years.map((y) => y.year));
    const top = ceiling(Math.max(...years.map((y) => y.upper ?? y.figure ?? 0)));
    const [ceil, floor] = [22, 84];
    const step = Math.min(56, (WIDE - 40) / Math.max(1, to - from));
    const x = (year) => 20 + (year - from) * step;
    const y = (value) => floor - (value / top) * (floor - ceil);
    const parts = [svg("line", { x1: 0, x2: x(to) + 20, y1: floor, y2: floor, class: "axis" })];
    const known = years.filter(({ figure }) => figure !== null);
    let broken = 0;
    known.forEach((row, k) => {
      const before = known[k - 1];
      if (!before) return;
      if (before.year === row.year - 1 && before.status === row.status) {
        parts.push(svg("line", { x1: x(before.year), x2: x(row.year), y1: y(before.figure), y2: y(row.figure), class: "joined" }));
        return;
      }
      broken += 1;
      const px = (x(before.year) + x(row.year)) / 2;
      parts.push(svg("path", { d: `M${px - 4},${floor + 4}l4,-9M${px},${floor + 4}l4,-9`, class: "break" }));
    });
    known.forEach((row, k) => {
      const px = x(row.year);
      if (row.lower !== null) parts.push(svg("line", { x1: px, x2: px, y1: y(row.lower), y2: y(row.upper), class: "whisker" }));
      parts.push(svg("circle", { cx: px, cy: y(row.figure), r: 3.2, class: "dot" }));
      parts.push(label(px, floor + 17, row.year, { "text-anchor": "middle", class: "soft" }));
      if (k === 0 || k === known.length - 1) parts.push(label(px, y(row.upper ?? row.figure) - 6, countmap.figure(row.figure), { "text-anchor": "middle" }));
    });
    const said = broken ? ` The line breaks ${broken === 1 ? "once" : `${broken} times`}: another kind of figure, or a year without one.` : "";
    return countmap.el("figure", { class: "chart" },
      svg("svg", { viewBox: `0 0 ${WIDE} 106`, role: "img", "aria-label": years.map((r) => `${r.year}: ${countmap.figure(r.figure)}${r.status ? `, ${r.status}` : ""}`).join("; ") + said }, parts),
      countmap.el("figcaption", {}, `Vehicles on the average day, both senses, by year.${said}`));
  };
})();
