/* Reads the bytes of a stretch (layout: views/detail.py). Times stay integers until they become pixels. */
(function () {
  "use strict";
  const book = (window.latchtrace = window.latchtrace || {});
  const SPANS = 0, BARS = 1, CURVE = 2, MARKS = 3, BANDS = 4;

  function reader(buffer, at) {
    function column(Type, rows) {
      const part = new Type(buffer, at, rows);
      const bytes = rows * Type.BYTES_PER_ELEMENT;
      at += bytes + ((4 - (bytes % 4)) % 4);
      return part;
    }
    return {
      column,
      head() {
        const head = new Uint32Array(buffer, at, 3);
        at += 12;
        return head;
      },
    };
  }

  function block(kind, rows, take) {
    const times = () => take(Int32Array, rows);
    if (kind === SPANS) {
      return { rows, startLo: times(), startHi: times(), endLo: times(), endHi: times(), code: take(Uint16Array, rows) };
    }
    if (kind === BARS) {
      return {
        rows, start: times(), end: times(), count: take(Uint32Array, rows),
        code: take(Uint16Array, rows), share: take(Uint8Array, rows),
      };
    }
    if (kind === CURVE) return { rows, t: times(), value: take(Float32Array, rows) };
    if (kind === MARKS) {
      return {
        rows, start: times(), end: times(), ordinal: take(Uint32Array, rows),
        count: take(Uint32Array, rows), severity: take(Uint8Array, rows),
      };
    }
    return { rows, start: times(), end: times(), scope: take(Uint16Array, rows), what: take(Uint8Array, rows) };
  }

  /* One stretch: `lanes[i]` holds spans, bars and curve of lane i; times are `base + value * unit` nanoseconds. */
  book.readStretch = function (buffer) {
    const head = new DataView(buffer);
    if (head.getUint32(0, false) !== 0x4c544431) throw new Error("not a stretch of a swimlane");
    const stretch = {
      sequence: head.getUint32(4, true),
      base: Number(head.getBigInt64(8, true)),
      unit: 2 ** head.getUint32(16, true),
      lanes: new Map(), marks: null, bands: null,
    };
    const from = reader(buffer, 24);
    for (let left = head.getUint32(20, true); left > 0; left -= 1) {
      const [kind, index, rows] = from.head();
      const part = block(kind, rows, from.column);
      if (kind === MARKS) stretch.marks = part;
      else if (kind === BANDS) stretch.bands = part;
      else {
        if (!stretch.lanes.has(index)) stretch.lanes.set(index, {});
        stretch.lanes.get(index)[["spans", "bars", "curve"][kind]] = part;
      }
    }
    return stretch;
  };
})();
