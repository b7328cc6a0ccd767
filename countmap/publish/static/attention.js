/* What needs a look, in words: the suspects, the failed checks, the warnings, in this order. */
"use strict";

(() => {
  const HYPOTHESES = {
    scale: "counts too little or too much in both senses", scale_one: "counts too little or too much in one sense",
    swap: "senses swapped", clock: "clock off", leak: "traffic enters or leaves unseen", level_shift: "level shift",
  };
  const rule = (text) => text.replaceAll("_", " ");

  /** A station's name with its id: names repeat, ids do not. */
  countmap.identified = (model, row) => {
    const { name, station_id: id } = model.stations;
    return name[row] && name[row] !== id[row] ? `${name[row]} (${id[row]})` : id[row];
  };
  countmap.identifiedById = (model, id) => (model.stationRow.has(id) ? countmap.identified(model, model.stationRow.get(id)) : id);

  /** The station ids a finding could mean. */
  const meant = (model, k) => (model.findings.set[k] || "").split(" ").filter(Boolean);

  /** The station's findings: {what, sense, why, others}, what matters most first. */
  countmap.attention = (model, row) => {
    const id = model.stations.station_id[row];
    const { findings, flags } = model;
    const suspects = (model.findingsOf.get(id) || []).map((k) => ({
      what: HYPOTHESES[findings.hypothesis[k]], sense: findings.sense[k], why: findings.evidence[k], when: "",
      others: meant(model, k).filter((other) => other !== id), suspect: true, alone: findings.alone[k] === 1, fail: false,
    }));
    const checks = (model.flagsOf.get(id) || []).filter((k) => flags.look[k] === 1).map((k) => ({
      what: rule(flags.rule[k]), sense: flags.sense[k], why: flags.why[k], when: flags.when[k],
      others: [], suspect: false, alone: true, fail: flags.severity[k] === "fail",
    }));
    return [...suspects, ...checks];
  };

  /** What is known of a station and needs no look: notes, decisions, gaps that the counter admits. */
  countmap.noted = (model, row) => {
    const { flags } = model;
    return (model.flagsOf.get(model.stations.station_id[row]) || []).filter((k) => flags.look[k] !== 1).map((k) => ({
      what: rule(flags.rule[k]), why: flags.why[k], when: flags.when[k],
      closed: flags.state[k] === "open" ? "" : `${flags.state[k]}: ${flags.reason[k] || "no reason given"}`,
    }));
  };

  /** Why the figure of a station must not be taken as it stands, or "": no assurance comes before it. */
  countmap.doubt = (model, row) => {
    const [first] = countmap.attention(model, row).filter(({ suspect, fail }) => suspect || fail);
    if (!first) return "";
    if (first.alone) return `In doubt: ${first.what}`;
    const others = first.others.map((id) => countmap.identifiedById(model, id));
    return `May be meant by: ${first.what}${others.length ? `, here or at ${others.join(" or ")}` : ""}`;
  };

  /** How much a station needs a look: suspects before failed checks before warnings, then by number. */
  countmap.urgency = (model, row) => {
    const { findings, flags, fails } = model.stations;
    const kind = findings[row] ? 3 : fails[row] ? 2 : flags[row] ? 1 : 0;
    return kind * 1000 + Math.min(findings[row] + flags[row], 999);
  };
})();
