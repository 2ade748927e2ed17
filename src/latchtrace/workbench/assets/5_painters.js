/* How each kind of lane paints one span: a moment, a state, an open door, a running timer. */
(function () {
  "use strict";
  const book = (window.latchtrace = window.latchtrace || {});

  function soft(pen, colour, from, to, y, height, rising) {
    if (to - from < 1.5) return;
    const shade = pen.createLinearGradient(from, 0, to, 0);
    shade.addColorStop(rising ? 0 : 1, "transparent");
    shade.addColorStop(rising ? 1 : 0, colour);
    pen.save();
    pen.globalAlpha = 0.5;
    pen.fillStyle = shade;
    pen.fillRect(from, y, to - from, height);
    pen.restore();
  }

  function caption({ pen, ink, width }, text, from, room, y, colour) {
    if (room < 24 || from > width) return;
    pen.font = `11px ${ink.face}`;
    const size = pen.measureText(text).width;
    if (size + 12 > room) return;
    const left = Math.max(from, 0) + 5;
    pen.fillStyle = colour;
    pen.fillText(text, left, y);
  }

  function outlined(pen, ink, from, to, y, height) {
    pen.strokeStyle = ink.outline;
    pen.lineWidth = 1;
    if (to - from > 3) pen.strokeRect(from + 0.5, y + 0.5, to - from - 1, height - 1);
  }

  function event(tools, row, span) {
    const { pen, ink } = tools;
    const { colour, sign } = ink.of(span.value.tone);
    const top = row.y + 3, height = row.height - 5;
    soft(pen, colour, span.softFrom, span.from, top + 6, height - 6, true);
    const lasting = span.softTo - span.from > 3;
    pen.fillStyle = colour;
    if (lasting) {
      pen.save();
      pen.globalAlpha = 0.35;
      pen.fillRect(span.from, top + 6, Math.max(span.to - span.from, 1), height - 6);
      pen.restore();
      soft(pen, colour, Math.max(span.to, span.from), span.softTo, top + 6, height - 6, false);
    }
    pen.fillStyle = sign === "hollow" ? ink.ink : colour;
    pen.fillRect(span.from, top, 2, height);
    if (span.crowded) return;
    book.flag(pen, ink, span.value.tone, span.from, top);
    caption(tools, span.value.text, span.from + 8, span.room - 8, row.y + row.height / 2 + 1, ink.ink);
  }

  function line(pen, colour, from, to, y, weight, dash) {
    pen.strokeStyle = colour;
    pen.lineWidth = weight;
    pen.setLineDash(dash);
    pen.beginPath();
    pen.moveTo(from, y);
    pen.lineTo(to, y);
    pen.stroke();
    pen.setLineDash([]);
  }

  /* Rest is a quiet line below its name, the exception a block: the eye goes where something is not locked. */
  const LINES = { locked: [2.5, []], off: [1, []], shut: [1, []], unknown: [1.5, [2, 4]] };

  function state(tools, row, span) {
    const { pen, ink, width } = tools;
    const { value, from, softTo } = span;
    const { colour } = ink.of(value.tone);
    const top = row.y + 3, height = row.height - 5, low = row.y + row.height - 4.5;
    const to = Math.max(span.to, from + 2);
    const seen = Math.min(softTo, width) - Math.max(from, 0);
    if (LINES[value.tone]) {
      const [weight, dash] = LINES[value.tone];
      if (span.counted) soft(pen, value.tone === "locked" ? ink.lock : ink.neutral, span.softFrom, from, top, height, true);
      line(pen, value.tone === "locked" ? colour : ink.faint, from, softTo, low, weight, dash);
      caption(tools, value.text, from, seen, row.y + 9, ink.faint);
      return;
    }
    block(tools, span, value.tone, colour, top, height, to);
    caption(tools, value.text, from, seen, top + height / 2, ink.ink);
  }

  function block({ pen, ink }, span, tone, colour, top, height, to) {
    const { from, softTo } = span;
    if (span.counted) soft(pen, colour, span.softFrom, from, top, height, true);
    pen.save();
    pen.globalAlpha = tone === "deadlocked" ? 0.18 : 0.55;
    pen.fillStyle = colour;
    pen.fillRect(from, top, to - from, height);
    pen.restore();
    if (tone === "deadlocked") {
      pen.fillStyle = ink.hatchDead;
      pen.fillRect(from, top, to - from, height);
    }
    soft(pen, colour, to, softTo, top, height, false);
    outlined(pen, ink, from, to, top, height);
    if (softTo - from > 3) return;
    pen.fillStyle = ink.outline;
    pen.fillRect(from, top, Math.max(softTo - from, 2), height);
  }

  function contact({ pen, ink }, row, span) {
    const top = row.y + 2, height = row.height - 3;
    if (span.value.tone === "shut") return;
    if (span.value.tone === "unknown") {
      line(pen, ink.faint, span.from, span.softTo, row.y + row.height / 2, 1.5, [2, 4]);
      return;
    }
    const to = Math.max(span.to, span.from + 2);
    soft(pen, ink.open, span.softFrom, span.from, top, height, true);
    pen.fillStyle = ink.paper;
    pen.fillRect(span.from, top, to - span.from, height);
    pen.fillStyle = to - span.from > 5 ? ink.hatchOpen : ink.open;
    pen.fillRect(span.from, top, to - span.from, height);
    soft(pen, ink.open, to, span.softTo, top, height, false);
    outlined(pen, ink, span.from, to, top, height);
  }

  const ENDS = { relocked: "filled", cancelled: "crossed", "locked-otherwise": "hollow", restarted: "hollow" };

  /* A running timer is a band until what ended it, its end marked; the time the relock was due is a bracket. */
  function timer(tools, row, span) {
    const { pen, ink, width } = tools;
    const { value, from, softTo } = span;
    const top = row.y + 4, height = row.height - 8;
    pen.lineWidth = 1.25;
    if (value.tone === "due") {
      pen.strokeStyle = ink.ink;
      pen.strokeRect(from + 0.5, top - 2.5, Math.max(softTo - from, 3), height + 5);
      return;
    }
    pen.save();
    pen.globalAlpha = 0.4;
    pen.fillStyle = ink.timer;
    pen.fillRect(from, top, Math.max(softTo - from, 2), height);
    pen.restore();
    if (softTo - from < 6) {
      pen.fillStyle = ink.outline;
      pen.fillRect(from, top, 2, height);
      return;
    }
    outlined(pen, ink, from, softTo, top, height);
    const sign = ENDS[value.tone], middle = top + height / 2;
    pen.fillStyle = sign === "filled" ? ink.outline : ink.paper;
    pen.strokeStyle = ink.outline;
    pen.beginPath();
    pen.arc(softTo, middle, 3.5, 0, 2 * Math.PI);
    pen.fill();
    pen.stroke();
    if (sign === "crossed") line(pen, ink.outline, softTo - 3.5, softTo + 3.5, middle, 1.25, []);
    caption(tools, value.text, from, Math.min(softTo, width) - Math.max(from, 0) - 8, middle, ink.ink);
  }

  book.painters = { events: event, states: state, contact, timer };
})();
