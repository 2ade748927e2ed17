/* Draws a stretch on the canvas. What is too dense to tell apart comes from the server as bars with a count. */
(function () {
  "use strict";
  const book = (window.latchtrace = window.latchtrace || {});
  const UNCOUNTED = 0x8000, SEVERAL = 0xffff, EVERYWHERE = 0xffff, OF_CHANNEL = 0x8000;
  const LEAST = 2;
  const HEIGHTS = { events: 22, states: 22, contact: 11, timer: 24, curve: 48 };
  const AXIS = 26, STRIP = 24, HEADING = 21;

  /* Where each lane stands: [{lane, index, y, height, heading}], and the height of all. */
  book.place = function (lanes) {
    let y = AXIS + STRIP, heading = "", group = "";
    const rows = lanes.map((lane, index) => {
      const opens = lane.heading !== heading;
      if (opens) y += HEADING;
      else if (lane.group !== group) y += 5;
      heading = lane.heading;
      group = lane.group;
      const row = { lane, index, y, height: HEIGHTS[lane.kind], heading: opens ? lane.heading : "" };
      y += row.height;
      return row;
    });
    return { rows, height: y + 8, axis: AXIS, strip: STRIP };
  };

  book.draw = function (pen, scene) {
    const { width, height, ink, place, stretch, clock, view } = scene;
    const scale = width / (view.t1 - view.t0);
    const ease = stretch ? (stretch.base - view.t0) * scale : 0;
    const step = stretch ? stretch.unit * scale : 0;
    const tools = { pen, ink, width, x: (t) => ease + t * step, clamp: (x) => Math.min(Math.max(x, -8), width + 8) };
    pen.clearRect(0, 0, width, height);
    pen.textBaseline = "middle";
    const ticks = clock.ticks(view.t0, view.t1, width, 118);
    if (stretch && stretch.bands) drawBands(tools, stretch.bands, scene);
    drawRules(tools, ticks, scene, scale);
    if (scene.chosen) drawChosen(tools, scene, scale);
    if (!stretch) return { marks: [] };
    for (const row of place.rows) {
      const part = stretch.lanes.get(row.index);
      if (part) drawLane(tools, row, part);
    }
    return { marks: stretch.marks ? drawMarks(tools, stretch.marks, scene) : [] };
  };

  function drawRules({ pen, ink, width }, ticks, scene, scale) {
    const { place, view } = scene;
    pen.font = `11px ${ink.face}`;
    pen.lineWidth = 1;
    for (const tick of ticks.found) {
      const x = Math.round((tick.t - view.t0) * scale) + 0.5;
      pen.strokeStyle = ink.rule;
      pen.beginPath();
      pen.moveTo(x, AXIS - 6);
      pen.lineTo(x, place.height);
      pen.stroke();
      pen.fillStyle = ink.faint;
      if (x > 2 && x < width - 60) pen.fillText(tick.text, x + 4, AXIS - 12);
    }
    pen.strokeStyle = ink.rule;
    pen.beginPath();
    for (const row of place.rows) {
      const y = row.y + row.height + 0.5;
      pen.moveTo(0, y);
      pen.lineTo(width, y);
    }
    pen.stroke();
    pen.strokeStyle = ink.ink;
    pen.beginPath();
    pen.moveTo(0, AXIS + 0.5);
    pen.lineTo(width, AXIS + 0.5);
    pen.stroke();
  }

  function drawChosen({ pen, ink, width }, scene, scale) {
    const [lo, hi] = scene.chosen.at;
    const x0 = (lo - scene.view.t0) * scale, x1 = (hi - scene.view.t0) * scale;
    const left = Math.max(Math.min(x0, x1 - 3), -4), right = Math.min(Math.max(x1, x0 + 3), width + 4);
    if (right < 0 || left > width) return;
    pen.save();
    pen.globalAlpha = 0.1;
    pen.fillStyle = ink[scene.chosen.severity] || ink.timer;
    pen.fillRect(left, AXIS, right - left, scene.place.height - AXIS);
    pen.globalAlpha = 0.8;
    for (const x of [left, right - 1.25]) pen.fillRect(x, AXIS, 1.25, scene.place.height - AXIS);
    pen.restore();
  }

  function drawBands(tools, bands, scene) {
    const { pen, ink, x, clamp } = tools;
    const labelled = new Set();
    for (let i = 0; i < bands.rows; i += 1) {
      const left = clamp(x(bands.start[i])), right = Math.max(clamp(x(bands.end[i])), left + LEAST);
      const kind = scene.bandKinds[bands.what[i]];
      const scope = bands.scope[i];
      const rows = scene.place.rows.filter((row) => inScope(scope, row, scene.channels));
      for (const row of rows) {
        pen.fillStyle = kind.kind === "sleep" ? ink.wash : ink.hatchGap;
        pen.fillRect(left, row.y, right - left, row.height);
      }
      labelBand(tools, kind, left, right, rows, labelled);
    }
  }

  function inScope(scope, row, channels) {
    if (scope === EVERYWHERE) return true;
    if (scope & OF_CHANNEL) return row.lane.channel ? row.lane.channel === channels[scope - OF_CHANNEL] : channels.length < 2;
    return row.index === scope;
  }

  function labelBand({ pen, ink, width }, kind, left, right, rows, labelled) {
    const from = Math.max(left, 0), to = Math.min(right, width);
    if (!rows.length || to - from < 120) return;
    const key = `${kind.kind}${Math.round(from / 40)}`;
    if (labelled.has(key)) return;
    labelled.add(key);
    pen.font = `italic 11px ${ink.face}`;
    pen.fillStyle = ink.faint;
    pen.textAlign = "center";
    const [row] = rows;
    pen.fillText(kind.text, (from + to) / 2, row.heading ? row.y - 9 : row.y + row.height / 2);
    pen.textAlign = "start";
  }

  function drawLane(tools, row, part) {
    if (part.curve) drawCurve(tools, row, part.curve);
    if (part.spans) drawSpans(tools, row, part.spans);
    if (part.bars) drawBars(tools, row, part.bars);
  }

  function drawSpans(tools, row, spans) {
    const { x, clamp, width } = tools;
    const painter = book.painters[row.lane.kind] || book.painters.states;
    let busy = -Infinity;
    for (let i = 0; i < spans.rows; i += 1) {
      const code = spans.code[i] & ~UNCOUNTED;
      const start = x(spans.startHi[i]);
      const span = {
        value: row.lane.values[code] || { text: "", tone: "" },
        counted: !(spans.code[i] & UNCOUNTED),
        softFrom: clamp(x(spans.startLo[i])), from: clamp(start),
        softTo: clamp(x(spans.endHi[i])), to: clamp(x(spans.endLo[i])),
        room: (i + 1 < spans.rows ? Math.min(x(spans.startLo[i + 1]), width) : width) - Math.max(start, 0),
        crowded: start - busy < 10,
      };
      if (span.softTo < span.from + LEAST) span.softTo = span.from + LEAST;
      if (!span.crowded) busy = start;
      painter(tools, row, span);
    }
  }

  /* Crowded activity: a bar as tall as its share of time, never lower than can be seen, with its count. */
  function drawBars({ pen, ink, x, clamp, width }, row, bars) {
    const most = row.height - 5;
    pen.font = `10px ${ink.face}`;
    for (let i = 0; i < bars.rows; i += 1) {
      const left = clamp(x(bars.start[i])), right = Math.max(clamp(x(bars.end[i])), left + LEAST);
      const tall = most * Math.max(0.5, bars.share[i] / 255);
      const one = bars.code[i] !== SEVERAL && row.lane.values[bars.code[i]];
      pen.fillStyle = one && row.lane.kind === "events" ? ink.of(one.tone).colour : ink.neutral;
      pen.fillRect(left, row.y + row.height - 2 - tall, right - left, tall);
      const text = `×${bars.count[i]}`, next = i + 1 < bars.rows ? x(bars.start[i + 1]) : width;
      if (bars.count[i] > 1 && row.lane.kind === "events" && next - right > 10 + 6 * text.length) {
        pen.fillStyle = ink.faint;
        pen.fillText(text, right + 4, row.y + row.height / 2 + 1);
      }
    }
  }

  function drawCurve(tools, row, curve) {
    const { pen, ink, x, clamp, width } = tools;
    const { top, threshold, unit } = row.lane.curve;
    const low = row.y + row.height - 4, tall = row.height - 14;
    const y = (value) => low - (Math.min(value, top) / top) * tall;
    let previous = NaN, from = 0;
    const line = new Path2D(), area = new Path2D();
    for (let i = 0; i < curve.rows; i += 1) {
      const at = clamp(x(curve.t[i])), value = curve.value[i];
      if (!Number.isNaN(previous)) {
        line.lineTo(at, y(previous));
        area.rect(from, y(previous), at - from, low - y(previous));
      }
      if (!Number.isNaN(value)) {
        if (Number.isNaN(previous)) line.moveTo(at, y(value));
        else line.lineTo(at, y(value));
      }
      previous = value;
      from = at;
    }
    pen.save();
    pen.globalAlpha = 0.16;
    pen.fillStyle = ink.speed;
    pen.fill(area);
    pen.restore();
    pen.strokeStyle = ink.speed;
    pen.lineWidth = 1.6;
    pen.stroke(line);
    if (threshold === null) return;
    pen.setLineDash([5, 4]);
    pen.lineWidth = 1;
    pen.strokeStyle = ink.ink;
    pen.beginPath();
    pen.moveTo(0, y(threshold) + 0.5);
    pen.lineTo(width, y(threshold) + 0.5);
    pen.stroke();
    pen.setLineDash([]);
    pen.font = `10px ${ink.face}`;
    pen.fillStyle = ink.ink;
    const text = `locks at ${threshold} ${unit}`;
    pen.fillText(text, width - pen.measureText(text).width - 6, y(threshold) - 7);
  }

  function drawMarks({ pen, ink, x, clamp }, marks, scene) {
    const y = AXIS + STRIP / 2, placed = [];
    pen.font = `600 10px ${ink.face}`;
    for (let i = 0; i < marks.rows; i += 1) {
      const severity = scene.severities[marks.severity[i]];
      const left = clamp(x(marks.start[i])), right = clamp(x(marks.end[i]));
      const finding = scene.findings[marks.ordinal[i]];
      if (right - left > 4) {
        pen.fillStyle = ink[severity];
        pen.fillRect(left, y + 6, right - left, 2);
      }
      const at = Math.abs(left - right) < 4 ? (left + right) / 2 : left;
      book.findingSign(pen, ink, severity, at, y, 11);
      const label = marks.count[i] > 1 ? `${marks.count[i]}` : finding ? finding.id : "";
      const next = i + 1 < marks.rows ? clamp(x(marks.start[i + 1])) : scene.width;
      if (next - at > 16 + 6 * label.length) {
        pen.fillStyle = ink.ink;
        pen.fillText(label, at + 9, y);
      }
      placed.push({
        left: at - 9, right: Math.max(at + 9, right), at, from: x(marks.start[i]), ordinal: marks.ordinal[i], count: marks.count[i],
      });
    }
    return placed;
  }
})();
