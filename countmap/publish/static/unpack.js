/* Reads the packed tables: base64 → gzip → a directory and streams of varints.
   The writing side, and the description of the form, is publish/packed.py. */
"use strict";

(() => {
  async function inflate(base64) {
    const bytes = Uint8Array.from(atob(base64), (sign) => sign.charCodeAt(0));
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
    return new Uint8Array(await new Response(stream).arrayBuffer());
  }

  /** Read `count` varints from `at`; arithmetic, not bit shifts, so that 2⁵³ holds. */
  function varints(bytes, at, count) {
    const out = new Float64Array(count);
    for (let k = 0; k < count; k += 1) {
      let byte = bytes[at++];
      let value = byte & 0x7f;
      for (let unit = 128; byte & 0x80; unit *= 128) {
        byte = bytes[at++];
        value += (byte & 0x7f) * unit;
      }
      out[k] = value;
    }
    return [out, at];
  }

  const unzigzag = (code) => (code % 2 ? -(code + 1) / 2 : code / 2);

  const readers = {
    /** A Float64Array; NaN where the value is missing. */
    numbers(bytes, at, column, rows) {
      const [values] = varints(bytes, at, rows);
      for (let k = 0; k < rows; k += 1) values[k] = values[k] === 0 ? NaN : unzigzag(values[k] - 1) / column.scale;
      return values;
    },
    /** An array of strings; null where there is none. */
    text(bytes, at, column, rows) {
      const [codes] = varints(bytes, at, rows);
      return Array.from(codes, (code) => (code === 0 ? null : column.words[code - 1]));
    },
    /** Vertices of all lines in one run: start[k] .. start[k+1] are those of line k, in degrees. */
    lines(bytes, at, column, rows) {
      const [counts, after] = varints(bytes, at, rows);
      const start = new Uint32Array(rows + 1);
      for (let k = 0; k < rows; k += 1) start[k + 1] = start[k] + counts[k];
      const read = (from) => {
        const [values, next] = varints(bytes, from, start[rows]);
        let sum = 0;
        for (let v = 0; v < values.length; v += 1) values[v] = (sum += unzigzag(values[v])) / column.scale;
        return [values, next];
      };
      const [lon, next] = read(after);
      const [lat] = read(next);
      return { start, lon, lat };
    },
  };

  /** Unpack the block with this id: {table: {rows, column: values, …}}. */
  countmap.unpack = async (id) => {
    const bytes = await inflate(countmap.byId(id).textContent.trim());
    const size = new DataView(bytes.buffer).getUint32(4, true);
    const directory = JSON.parse(new TextDecoder().decode(bytes.subarray(8, 8 + size)));
    let at = 8 + size;
    const tables = {};
    for (const [name, entry] of Object.entries(directory)) {
      const table = (tables[name] = { rows: entry.rows });
      for (const [key, column] of Object.entries(entry.columns)) {
        table[key] = readers[column.kind](bytes, at, column, entry.rows);
        at += column.bytes;
      }
    }
    return tables;
  };
})();
