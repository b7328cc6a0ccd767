/* Find a station or a road by name or id: a box, a list under it, arrows and Enter. */
"use strict";

(() => {
  const { el, plain } = countmap;
  const MOST = 12;

  /** Everything that can be found: stations by name and id, roads once by name, links by id. */
  function entries(model) {
    const { stations, links } = model;
    const list = [];
    for (let row = 0; row < stations.rows; row += 1) {
      const id = stations.station_id[row];
      list.push({ key: plain(`${stations.name[row] || ""} ${id}`), name: model.named(row), what: `station ${id}`, station: row });
    }
    const roads = new Map();
    for (let row = 0; row < links.rows; row += 1) {
      const name = links.name[row];
      if (name && (!roads.has(name) || links.figure[row] > links.figure[roads.get(name)])) roads.set(name, row);
    }
    for (const [name, row] of roads) list.push({ key: plain(name), name, what: "road", link: row });
    for (let row = 0; row < links.rows; row += 1) list.push({ key: plain(links.link_id[row]), name: model.road(row), what: `link ${links.link_id[row]}`, link: row, id: true });
    return list;
  }

  /** Those that match, best first: equal, begins with, a word begins with, contains. Link ids only when they begin so. */
  function find(list, wanted) {
    const rank = (entry) => {
      const at = entry.key.indexOf(wanted);
      if (at < 0 || (entry.id && at > 0)) return 9;
      if (entry.key === wanted) return 0;
      if (at === 0) return entry.id ? 3 : 1;
      return entry.key.includes(` ${wanted}`) ? 2 : 4;
    };
    return list.map((entry) => [rank(entry), entry]).filter(([r]) => r < 9)
      .sort((a, b) => a[0] - b[0]).slice(0, MOST).map(([, entry]) => entry);
  }

  /** A box to type in, with what is found in a list under it: `choose` gets the entry taken. */
  countmap.finder = (model, input, choose) => {
    const box = countmap.byId(input.getAttribute("aria-controls"));
    let found = [], at = -1;

    function show() {
      countmap.clear(box);
      box.append(...found.map((entry, k) => el("li", { role: "option", id: `${box.id}-${k}`, "aria-selected": String(k === at), mousedown: (event) => { event.preventDefault(); take(entry); } },
        entry.name, el("span", { class: "soft" }, entry.what))));
      if (!found.length && input.value.trim()) box.append(el("li", { class: "none", role: "option", "aria-selected": "false", "aria-disabled": "true" }, "Nothing by that name or id"));
      box.hidden = !input.value.trim();
      input.setAttribute("aria-expanded", String(!box.hidden));
      if (at >= 0) input.setAttribute("aria-activedescendant", `${box.id}-${at}`);
      else input.removeAttribute("aria-activedescendant");
    }
    function close() { box.hidden = true; input.setAttribute("aria-expanded", "false"); input.removeAttribute("aria-activedescendant"); }
    function take(entry) { close(); choose(entry); }
    input.addEventListener("input", () => {
      const wanted = plain(input.value.trim());
      found = wanted ? find((model.entries ||= entries(model)), wanted) : [];
      at = found.length ? 0 : -1;
      show();
    });
    input.addEventListener("keydown", (event) => {
      if (event.key === "ArrowDown" || event.key === "ArrowUp") {
        event.preventDefault();
        if (found.length) at = (at + (event.key === "ArrowDown" ? 1 : found.length - 1)) % found.length;
        show();
      } else if (event.key === "Enter" && found[at]) {
        event.preventDefault();
        take(found[at]);
      } else if (event.key === "Escape" && !box.hidden) {
        event.stopPropagation();
        input.value = "";
        close();
      }
    });
    input.addEventListener("blur", close);
  };

  countmap.search = (model, act) => {
    const input = countmap.byId("search-input");
    countmap.finder(model, input, ({ station, link }) => (station !== undefined ? act.openStation(station, input) : act.openLink(link, input)));
  };
})();
