/* The panel: one place, how sure first, then the figure, then what it rests on. */
"use strict";

(() => {
  const { el } = countmap;
  const rule = (text) => text.replaceAll("_", " ");
  const BASIS = { both: "both senses", with: "one sense alone", against: "one sense alone" };
  const read = (model, table, row) => {
    const value = (name) => model.number(model[table], name, row);
    const text = (name) => model[table][name]?.[row] ?? null;
    return {
      figure: value("figure"), lower: value("lower"), upper: value("upper"), rel: value("rel"), level: value("level"),
      days: value("days"), status: text("status"), basis: text("basis"), method: text("method"), reason: text("reason"),
      sense: (name) => ({ figure: value(`${name}_figure`), lower: value(`${name}_lower`), upper: value(`${name}_upper`) }),
    };
  };

  /** The first line: how sure, and why; what casts doubt on the count comes before any assurance. */
  function sureness(at, year, doubt = "") {
    const days = at.days === null ? "" : countmap.many(Math.round(at.days), "day");
    const how = {
      measured: `measured${days ? ` on ${days} of ${year}` : ""} by a permanent counter`,
      estimated: `estimated for ${year} from ${days || "a short count"}`,
      unadjusted: `${days || "a short count"}, not adjusted to the year ${year}`,
      inferred: `inferred for ${year} from other counts by balance`,
      modelled: `modelled for ${year}; rests on a stated assumption`,
    }[at.status];
    const why = at.reason ? ` ${at.reason[0].toUpperCase()}${at.reason.slice(1).replace(/\.?$/, ".")}` : "";
    if (at.figure === null) return [`No figure for ${year}.${doubt ? ` ${doubt}.` : ""}`, why || " Nothing counted says how much."];
    if (doubt) {
      const holds = at.rel === null ? "the figure holds" : countmap.percent(at.rel);
      const said = how ? ` ${how[0].toUpperCase()}${how.slice(1)}.` : "";
      return [`${doubt};`, ` ${holds} only if the count is right.${said}${why}`];
    }
    if (at.rel === null) return ["No interval:", ` ${how || "status unknown"}.${why}`];
    return [`Sure to ${countmap.percent(at.rel)}:`, ` ${how || "status unknown"}.${why}`];
  }

  const between = (at) => (at.lower === null ? "no interval" : `${countmap.figure(at.lower)} to ${countmap.figure(at.upper)}`);

  function figureBlock(at, year, basis = BASIS) {
    if (at.figure === null) return null;
    const level = at.level === null ? "" : ` (${Math.round(at.level * 100)} % interval)`;
    const facts = [
      `average day of ${year}`, basis[at.basis] || "basis not stated", at.status,
      at.method ? `method ${rule(at.method)}` : "", at.days === null ? "" : countmap.many(Math.round(at.days), "day"),
    ];
    return el("p", { class: "figure" },
      el("strong", {}, countmap.figure(at.figure)), el("span", { class: "unit" }, " vehicles a day"),
      el("span", { class: "interval" }, at.lower === null ? "no interval" : `${between(at)}${level}`),
      el("span", { class: "facts" }, facts.filter(Boolean).join(" · ")));
  }

  function senseRows(at, names, year) {
    const rows = ["with", "against"].map((sense) => [names[sense], at.sense(sense)]).filter(([, s]) => s.figure !== null);
    if (!rows.length) return null;
    return el("table", { class: "senses" },
      el("caption", {}, `By sense, average day of ${year}`),
      rows.map(([name, s]) => el("tr", {}, el("th", { scope: "row" }, name),
        el("td", {}, countmap.figure(s.figure)), el("td", { class: "interval" }, s.lower === null ? "no interval" : between(s)))));
  }

  const section = (title, ...body) => (body.some(Boolean) ? el("section", {}, el("h3", {}, title), body) : null);

  function findingList(model, row) {
    const names = senseNames(model, row);
    const items = countmap.attention(model, row).map(({ what, sense, why, when, others, suspect }) => el("li", { class: "tick" },
      el("strong", {}, suspect ? `${what}, ${names[sense] || "both senses"}. ` : `${what}. `), why.replace(/\.?$/, "."), when ? el("span", { class: "when" }, ` ${when}`) : null,
      others.length ? ` It could as well be ${others.map((id) => countmap.identifiedById(model, id)).join(" or ")}.` : null));
    return items.length ? el("ul", { class: "findings" }, items) : null;
  }

  function noteList(model, row) {
    const items = countmap.noted(model, row).map(({ what, why, when, closed }) => el("li", {},
      el("strong", {}, `${what}. `), why, el("span", { class: "when" }, ` ${when}`), closed ? ` ${closed}` : null));
    return items.length ? el("ul", { class: "findings" }, items) : null;
  }

  function senseNames(model, row) {
    const { stations } = model;
    return { with: stations.name_with[row] || "sense with", against: stations.name_against[row] || "sense against", both: "both senses" };
  }

  const chain = (steps) => (steps.length ? listed("How the figure came about", steps) : null);

  /** Class and speed of the counts that told vehicles apart, each with its days and what it rests on. */
  function mixed(mix) {
    if (!mix) return [];
    const days = `${countmap.date(mix.first)} to ${countmap.date(mix.last)}, both senses`;
    const heavy = mix.heavy === null ? `Heavy share: none, ${mix.heavyWhy || "not told"}.` : `Heavy vehicles ${(mix.heavy * 100).toFixed(1)} % of ${countmap.figure(mix.classified)} classified; ${days}.`;
    const speed = mix.speed === null ? `85th percentile speed: none, ${mix.speedWhy || "not told"}.` : `85 of 100 drive no faster than ${Math.round(mix.speed)} km/h, of ${countmap.figure(mix.timed)}; ${days}.`;
    return [el("p", { class: "facts" }, heavy), el("p", { class: "facts" }, speed),
      mix.classes.length ? countmap.shareChart(mix.classes, `Shares by class${mix.scheme ? `, scheme ${mix.scheme}` : ""}`) : null];
  }

  /** A list of labels and values behind a line that opens it. */
  function listed(title, steps) {
    return el("details", { class: "steps" }, el("summary", {}, title),
      el("dl", {}, steps.map(([label, value]) => el("div", {}, el("dt", {}, label), el("dd", {}, value)))));
  }

  function place(model, row) {
    const { stations } = model;
    const link = model.number(stations, "link", row);
    const valid = [stations.valid_from[row] && `since ${stations.valid_from[row]}`, stations.valid_to[row] && `until ${stations.valid_to[row]}`];
    return [
      stations.name[row] ? `Station ${stations.station_id[row]}` : "", stations.road[row] || (link === null ? "" : model.road(link)),
      stations.kind[row] || "", ...valid,
    ].filter(Boolean).join(" · ");
  }

  const dayOf = (stamp) => Math.floor(Date.parse(`${stamp}T00:00Z`) / 86400000);

  function flaggedDays(model, row) {
    const { flags } = model;
    return [...new Set((model.flagsOf.get(model.stations.station_id[row]) || []).map((k) => dayOf(flags.day[k])))];
  }

  const sure = ([head, why], doubt = "") => el("p", { class: doubt ? "sure doubt" : "sure" }, el("strong", {}, head), why);

  /** Fill the panel with a station. */
  countmap.stationPanel = async (model, row, act) => {
    const at = read(model, "stations", row);
    const names = senseNames(model, row);
    const details = await model.details();
    const year = model.head.year;
    const years = (model.yearsOf.get(model.stations.station_id[row]) || []).map((k) => ({
      year: model.years.year[k], status: model.years.status[k], figure: model.number(model.years, "aadt", k),
      lower: model.number(model.years, "lower", k), upper: model.number(model.years, "upper", k),
    }));
    const series = details.series(row);
    const found = model.stations.findings[row] + model.stations.flags[row];
    const weekday = model.number(model.stations, "aawt", row);
    const doubt = countmap.doubt(model, row);
    return [
      el("h2", { id: "panel-title", tabindex: -1 }, model.named(row)),
      el("p", { class: "place" }, place(model, row)),
      sure(sureness(at, year, doubt), doubt),
      found ? el("p", { class: "sure tick" }, `${countmap.many(found, "finding")} below.`) : null,
      figureBlock(at, year, { both: "both senses", with: names.with, against: names.against }),
      senseRows(at, names, year),
      weekday === null ? null : el("p", { class: "facts" }, `Monday to Friday: ${countmap.figure(weekday)} a day, average of ${year}.`),
      details.design(row) ? el("p", { class: "facts" }, details.design(row)) : null,
      section("Findings", findingList(model, row)),
      section(`The day by the hour, ${year}`, countmap.profileChart(details.profile(row), names, year)),
      section(`The days of ${year}`, series && countmap.seriesChart(series, at, flaggedDays(model, row))),
      section("Who drives there, and how fast", ...mixed(details.mix(row))),
      section("Noted", noteList(model, row)),
      section("The years", years.length > 1 ? countmap.yearsChart(years) : null),
      chain(details.steps(row)),
      ...details.records(row).map(([survey, facts]) => listed(`Installation record, survey ${survey}`, facts)),
      model.number(model.stations, "link", row) === null ? null : el("p", { class: "also" }, el("button", { type: "button", class: "go", click: () => act.corridorFrom(row) }, "Corridor from here")),
    ];
  };

  /** The road that a carriageway is a part of: the sum, so that nobody takes the half for the whole. */
  function pairLine(model, row) {
    const pair = model.pair(row);
    if (pair < 0) return null;
    const others = model.linksOf(pair).filter((other) => other !== row);
    const at = { lower: model.number(model.pairs, "lower", pair), upper: model.number(model.pairs, "upper", pair) };
    return el("p", { class: "facts" }, `One of a pair with ${others.map((other) => `${model.road(other)}, link ${model.links.link_id[other]}`).join(" and ")}; both ways together `,
      el("strong", {}, countmap.figure(model.pairs.figure[pair])), ` a day (${between(at)}), average day of ${model.head.year}.`);
  }

  /** Fill the panel with a link. */
  countmap.linkPanel = (model, row, act) => {
    const at = read(model, "links", row);
    const { links, head } = model;
    const names = { with: "as drawn", against: "against the drawing" };
    const sources = (links.sources[row] || "").split(" ").filter((id) => model.stationRow.has(id));
    const here = Array.from(model.stations.link).flatMap((link, station) => (link === row ? [station] : []));
    const linked = [...new Set([...here, ...sources.map((id) => model.stationRow.get(id))])];
    const doubtful = here.find((station) => countmap.doubt(model, station));
    const doubt = doubtful === undefined ? "" : `${countmap.doubt(model, doubtful)} at ${countmap.identified(model, doubtful)}`;
    const z = model.number(links, "z", row), counted = model.number(links, "counted", row);
    return [
      el("h2", { id: "panel-title", tabindex: -1 }, model.road(row)),
      el("p", { class: "place" }, [`Link ${links.link_id[row]}`, links.road_class[row], links.allowed[row] === "both" ? "two-way" : "one-way",
        `${countmap.figure(links.length_m[row])} m`].filter(Boolean).join(" · ")),
      sure(sureness(at, head.year, doubt), doubt),
      pairLine(model, row),
      figureBlock(at, head.year, { both: "both senses", with: "its one sense", against: "its one sense" }),
      senseRows(at, names, head.year),
      counted === null ? null : el("p", { class: "facts" }, `The count itself: ${countmap.figure(counted)}${z === null ? "" : `, ${Math.abs(z).toFixed(1)} standard errors from what the others say`}.`),
      section("Counted here or used for it", linked.length ? el("ul", { class: "plain" }, linked.map((station) => el("li", {},
        el("button", { type: "button", class: "go", click: () => act.openStation(station) }, countmap.spoken(model, station))))) : null),
    ];
  };

  /** Fill the panel with a junction that disagrees. */
  countmap.junctionPanel = (model, row, act) => {
    const { junctions } = model;
    const z = model.number(junctions, "z", row);
    const members = (junctions.members[row] || "").split(" ").filter(Boolean);
    return [
      el("h2", { id: "panel-title", tabindex: -1 }, junctions.name[row] || `Junction ${junctions.junction_id[row]}`),
      el("p", { class: "sure tick" }, el("strong", {}, `${countmap.excess(model, row) || "The counts disagree"}`),
        z === null ? "." : `: ${Math.abs(z).toFixed(1)} standard errors, average day of ${model.head.year}.`),
      junctions.why[row] ? el("p", {}, junctions.why[row]) : null,
      section("The counts that meet here", el("ul", { class: "plain" }, members.map((id) => (model.stationRow.has(id)
        ? el("li", {}, el("button", { type: "button", class: "go", click: () => act.openStation(model.stationRow.get(id)) }, countmap.spoken(model, model.stationRow.get(id))))
        : el("li", {}, id))))),
    ];
  };
})();
