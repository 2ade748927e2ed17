/* Finds what lies under the pointer or at a moment, and draws the strip that shows the whole capture. */
(function () {
  "use strict";
  const book = (window.latchtrace = window.latchtrace || {});
  const UNCOUNTED = 0x8000, SEVERAL = 0xffff;

  /* The mark at a pixel, the nearest one where several are close. */
  book.nearest = function (marks, x) {
    let best = null;
    for (const mark of marks) {
      if (x < mark.left || x > mark.right) continue;
      const away = Math.abs(x - mark.at);
      if (!best || away < best.away) best = { ...mark, away };
    }
    return best;
  };

  /* The finding a press on a mark means: of several under one mark, the one after the one already chosen. */
  book.under = function (mark, marks, findings, xOf, chosen) {
    if (mark.count < 2) return findings[mark.ordinal];
    const next = marks.filter((other) => other.from > mark.from).sort((a, b) => a.from - b.from)[0];
    const here = findings.filter((finding) => {
      const x = xOf(finding.at[0]);
      return x >= mark.from - 0.5 && (!next || x < next.from - 0.5);
    }).slice(0, mark.count);
    const now = here.findIndex((finding) => chosen && finding.id === chosen.id);
    return here.length ? (now < 0 ? findings[mark.ordinal] : here[(now + 1) % here.length]) : findings[mark.ordinal];
  };

  /* The span of a lane that holds at a moment: {code}, or {text} where activity is merged there. */
  book.at = function (stretch, index, t) {
    const part = stretch && stretch.lanes.get(index);
    if (!part) return null;
    const { base, unit } = stretch;
    let found = null;
    if (part.spans) {
      for (let i = 0; i < part.spans.rows; i += 1) {
        const start = base + part.spans.startHi[i] * unit, end = base + part.spans.endHi[i] * unit;
        if (start <= t && (t < end || (start === end && t === start))) found = { code: part.spans.code[i] & ~UNCOUNTED };
      }
    }
    if (part.bars) {
      for (let i = 0; i < part.bars.rows; i += 1) {
        const inside = base + part.bars.start[i] * unit <= t && t < base + part.bars.end[i] * unit;
        if (inside) found = { text: `changes ${part.bars.count[i]} times here` };
      }
    }
    return found;
  };

  /* The lines of the tip under a pixel, or null. */
  book.hit = function (scene, x, y) {
    const { place, state, page, clock } = scene;
    if (y >= place.axis && y < place.axis + place.strip) {
      const mark = book.nearest(state.marks, x);
      if (!mark) return null;
      const finding = page.findings[mark.ordinal];
      const more = mark.count > 1 ? [`and ${mark.count - 1} more here: look closer`] : [];
      return [`${finding.says} · ${finding.id}`, finding.text, clock.text(finding.at[1], 3), ...more];
    }
    const row = place.rows.find((each) => y >= each.y && y < each.y + each.height);
    const part = row && state.stretch && state.stretch.lanes.get(row.index);
    if (!part) return null;
    if (part.curve) return curveTip(scene, row, part.curve, x);
    return barTip(scene, row, part.bars, x) || spanTip(scene, row, part.spans, x);
  };

  function pixels({ state, reach, width }) {
    const { base, unit } = state.stretch;
    const scale = width / (reach.view.t1 - reach.view.t0);
    return { x: (t) => (base + t * unit - reach.view.t0) * scale, time: (t) => base + t * unit };
  }

  function spanTip(scene, row, spans, x) {
    if (!spans) return null;
    const at = pixels(scene), { clock } = scene;
    for (let i = spans.rows - 1; i >= 0; i -= 1) {
      const from = at.x(spans.startLo[i]), to = Math.max(at.x(spans.endHi[i]), at.x(spans.startHi[i]) + 9);
      if (x < from - 3 || x > to + 1) continue;
      const lo = at.time(spans.startLo[i]), hi = at.time(spans.startHi[i]), end = at.time(spans.endHi[i]);
      const lines = [`${row.lane.title}: ${row.lane.values[spans.code[i] & ~UNCOUNTED].text}`];
      if (spans.code[i] & UNCOUNTED) lines.push(`first seen ${clock.text(hi, 3)}`);
      else if (hi - lo > 1) lines.push(`began between ${clock.text(lo, 3)} and ${clock.text(hi, 3)}`);
      else lines.push(clock.text(hi, 3));
      if (end > hi) lines.push(`for ${book.lengthText(end - hi)}`);
      return lines;
    }
    return null;
  }

  function barTip(scene, row, bars, x) {
    if (!bars) return null;
    const at = pixels(scene);
    for (let i = 0; i < bars.rows; i += 1) {
      if (x < at.x(bars.start[i]) - 1 || x > Math.max(at.x(bars.end[i]), at.x(bars.start[i]) + 2) + 1) continue;
      const what = bars.code[i] === SEVERAL ? "changes" : row.lane.values[bars.code[i]].text;
      return [row.lane.title, `${bars.count[i]} × ${what} here: look closer`, scene.clock.text(at.time(bars.start[i]), 3)];
    }
    return null;
  }

  function curveTip(scene, row, curve, x) {
    const at = pixels(scene);
    let value = NaN, t = 0;
    for (let i = 0; i < curve.rows && at.x(curve.t[i]) <= x; i += 1) {
      value = curve.value[i];
      t = at.time(curve.t[i]);
    }
    if (Number.isNaN(value)) return [row.lane.title, "not known here"];
    return [`${row.lane.title}: ${Number(value.toFixed(2))} ${row.lane.curve.unit}`, `since ${scene.clock.text(t, 3)}`];
  }

  /* The strip above the lanes: sleep and gaps as washes, activity as ticks, findings, and a frame for the view. */
  book.drawOverview = function (pen, scene) {
    const { ink, all, span, width, view } = scene;
    const height = 44, scale = width / (span[1] - span[0]);
    pen.clearRect(0, 0, width, height);
    if (all) {
      const x = (t) => (all.base + t * all.unit - span[0]) * scale;
      drawQuiet(pen, scene, x, height);
      drawActivity(pen, scene, x);
      const marks = all.marks;
      for (let i = 0; marks && i < marks.rows; i += 1) {
        book.findingSign(pen, ink, scene.severities[marks.severity[i]], x(marks.start[i]), 8, 8);
      }
    }
    const left = (view.t0 - span[0]) * scale, right = Math.max((view.t1 - span[0]) * scale, left + 3);
    pen.save();
    pen.fillStyle = ink.paper;
    pen.globalAlpha = 0.3;
    pen.fillRect(0, 0, Math.max(left, 0), height);
    pen.fillRect(right, 0, Math.max(width - right, 0), height);
    pen.restore();
    pen.strokeStyle = ink.margin;
    pen.lineWidth = 2;
    pen.strokeRect(Math.max(left, 1), 1, Math.min(right, width - 1) - Math.max(left, 1), height - 2);
  };

  function drawQuiet(pen, scene, x, height) {
    const { all, ink, bandKinds } = scene;
    for (let i = 0; all.bands && i < all.bands.rows; i += 1) {
      if (bandKinds[all.bands.what[i]].kind === "blind") continue;
      const left = x(all.bands.start[i]);
      pen.fillStyle = bandKinds[all.bands.what[i]].kind === "sleep" ? ink.wash : ink.hatchGap;
      pen.fillRect(left, 16, Math.max(x(all.bands.end[i]) - left, 1), height - 18);
    }
  }

  function drawActivity(pen, scene, x) {
    const rows = scene.place.rows, tall = Math.max(1, 26 / rows.length);
    pen.fillStyle = scene.ink.ink;
    for (const row of rows) {
      const part = scene.all.lanes.get(row.index), y = 16 + (row.index * 26) / rows.length;
      if (part && part.spans) {
        for (let i = 0; i < part.spans.rows; i += 1) {
          if (!(part.spans.code[i] & UNCOUNTED)) pen.fillRect(x(part.spans.startHi[i]) - 0.75, y, 2, tall);
        }
      }
      if (part && part.bars) {
        for (let i = 0; i < part.bars.rows; i += 1) {
          pen.fillRect(x(part.bars.start[i]) - 0.75, y, Math.max(x(part.bars.end[i]) - x(part.bars.start[i]), 2), tall);
        }
      }
    }
  }

  book.overviewInput = function (overview, span, reach) {
    const go = (event) => {
      const box = overview.getBoundingClientRect();
      const t = span[0] + ((event.clientX - box.left) / box.width) * (span[1] - span[0]);
      const half = (reach.view.t1 - reach.view.t0) / 2;
      reach.set(t - half, t + half);
    };
    overview.addEventListener("pointerdown", (event) => {
      overview.setPointerCapture(event.pointerId);
      go(event);
    });
    overview.addEventListener("pointermove", (event) => event.buttons && go(event));
  };
})();
