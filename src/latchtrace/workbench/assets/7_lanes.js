/* The lanes as a thing on the page: labels, canvases, overview, pointer and wheel. */
(function () {
  "use strict";
  const book = (window.latchtrace = window.latchtrace || {});
  const UNCOUNTED = 0x8000;

  function make(name, className, parent) {
    const made = document.createElement(name);
    if (className) made.className = className;
    parent.append(made);
    return made;
  }

  function fit(canvas, width, height) {
    const ratio = window.devicePixelRatio || 1;
    canvas.width = Math.round(width * ratio);
    canvas.height = Math.round(height * ratio);
    canvas.style.height = `${height}px`;
    const pen = canvas.getContext("2d");
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    return pen;
  }

  /* Builds the lanes of a page into a frame. `page` is the lanes document; `tell` hears choose, line and settled;
     `range` is what to show first, if not everything. */
  book.lanes = function (frame, page, tell, range) {
    frame.replaceChildren();
    const place = book.place(page.lanes);
    const clock = book.clock(page.clock);
    const overview = make("canvas", "overview", frame);
    const labels = make("div", "labels", frame);
    const sheet = make("div", "sheet", frame);
    const canvas = make("canvas", "drawing", sheet);
    const over = make("canvas", "over", sheet);
    const tip = make("div", "tip", sheet);
    tip.hidden = true;
    overview.title = "The whole capture; press to move there";
    writeLabels(labels, place);
    sheet.style.height = `${place.height}px`;

    const state = { stretch: null, all: null, marks: [], line: null, chosen: null };
    let pen, overPen, mapPen, ink, width = 0, asked = false;
    let answered = Promise.resolve();
    const reach = book.window(page.span, draw, range);
    const supply = book.supply(page.id, (stretch) => {
      state.stretch = stretch;
      frame.dataset.shown = stretch.sequence;
      draw();
    }, tell.failed);
    book.supply(page.id, (stretch) => {
      state.all = stretch;
      draw();
    }, tell.failed).ask({ t0: page.span[0], t1: page.span[1] }, 1200);

    function measure() {
      width = Math.max(sheet.clientWidth, 50);
      pen = fit(canvas, width, place.height);
      overPen = fit(over, width, place.height);
      mapPen = fit(overview, Math.max(overview.clientWidth, 50), 44);
      ink = book.inks(pen);
      draw();
    }

    function draw() {
      if (asked || !width) return;
      asked = true;
      requestAnimationFrame(() => {
        asked = false;
        const view = reach.view;
        const scene = {
          width, height: place.height, ink, place, clock, view, stretch: state.stretch, chosen: state.chosen,
          channels: page.channels, bandKinds: page.bands, severities: page.severities, findings: page.findings,
        };
        state.marks = book.draw(pen, scene).marks;
        book.drawOverview(mapPen, { ...scene, all: state.all, span: page.span, width: overview.clientWidth });
        drawOver();
        answered = supply.ask(view, width);
        frame.dataset.fresh = supply.covers(view, width);
        frame.dataset.from = view.t0;
        frame.dataset.to = view.t1;
        tell.settled(view);
      });
    }

    function drawOver() {
      overPen.clearRect(0, 0, width, place.height);
      if (state.line === null) return;
      const x = Math.round(xOf(state.line)) + 0.5;
      if (x < 0 || x > width) return;
      const text = clock.text(state.line, digits());
      overPen.strokeStyle = ink.ink;
      overPen.setLineDash([1, 2]);
      overPen.beginPath();
      overPen.moveTo(x, 0);
      overPen.lineTo(x, place.height);
      overPen.stroke();
      overPen.setLineDash([]);
      overPen.font = `600 11px ${ink.face}`;
      const size = overPen.measureText(text).width + 10;
      const left = Math.min(Math.max(x - size / 2, 0), width - size);
      overPen.fillStyle = ink.ink;
      overPen.fillRect(left, 0, size, 17);
      overPen.fillStyle = ink.paper;
      overPen.textBaseline = "middle";
      overPen.fillText(text, left + 5, 9);
    }

    const digits = () => Math.min(9, Math.max(0, Math.ceil(9 - Math.log10((reach.view.t1 - reach.view.t0) / width))));
    const xOf = (t) => ((t - reach.view.t0) * width) / (reach.view.t1 - reach.view.t0);
    const tOf = (x) => Math.round(reach.view.t0 + (x * (reach.view.t1 - reach.view.t0)) / width);
    const inside = (event) => {
      const box = sheet.getBoundingClientRect();
      return { x: event.clientX - box.left - sheet.clientLeft, y: event.clientY - box.top };
    };

    function setLine(t) {
      state.line = t;
      frame.dataset.line = t === null ? "" : t;
      drawOver();
      if (t !== null) tell.line(t, describe(t));
    }

    /* What every state lane shows at a moment, in words. */
    function describe(t) {
      const words = [];
      for (const row of place.rows) {
        if (!["states", "contact"].includes(row.lane.kind)) continue;
        const found = book.at(state.stretch, row.index, t);
        if (found) words.push(`${row.lane.title} ${found.text || row.lane.values[found.code].text}`);
      }
      return `${clock.text(t, 3)}: ${words.join(", ")}`;
    }

    /* The next (or previous) change after a moment, of any lane in reach. */
    function change(t, ahead) {
      let best = null;
      if (!state.stretch) return null;
      const { base, unit } = state.stretch;
      for (const part of state.stretch.lanes.values()) {
        const starts = [];
        if (part.spans) {
          for (let i = 0; i < part.spans.rows; i += 1) {
            if (!(part.spans.code[i] & UNCOUNTED)) starts.push(part.spans.startHi[i]);
          }
        }
        if (part.bars) starts.push(...part.bars.start);
        for (const start of starts) {
          const at = base + start * unit;
          if (ahead ? at > t && (best === null || at < best) : at < t && (best === null || at > best)) best = at;
        }
      }
      return best;
    }

    function hover(event) {
      const { x, y } = inside(event);
      const text = book.hit({ place, state, width, page, clock, reach }, x, y);
      tip.hidden = !text;
      if (!text) return;
      tip.replaceChildren(...text.map((line, i) => {
        const part = document.createElement(i ? "span" : "b");
        part.textContent = line;
        return part;
      }));
      tip.style.left = `${Math.min(Math.max(x + 14, 4), width - tip.offsetWidth - 4)}px`;
      tip.style.top = `${y + 18 + tip.offsetHeight > place.height ? y - tip.offsetHeight - 8 : y + 18}px`;
    }

    function press(event) {
      if (event.button !== 0) return;
      const start = inside(event), from = { ...reach.view };
      let moved = false;
      sheet.setPointerCapture(event.pointerId);
      tip.hidden = true;
      const move = (more) => {
        const by = inside(more).x - start.x;
        moved = moved || Math.abs(by) > 3;
        if (!moved) return;
        sheet.classList.add("dragged");
        const shift = (by * (from.t1 - from.t0)) / width;
        reach.set(from.t0 - shift, from.t1 - shift);
      };
      const release = () => {
        sheet.classList.remove("dragged");
        sheet.removeEventListener("pointermove", move);
        sheet.removeEventListener("pointerup", release);
        sheet.removeEventListener("pointercancel", release);
        if (!moved) click(start);
      };
      sheet.addEventListener("pointermove", move);
      sheet.addEventListener("pointerup", release);
      sheet.addEventListener("pointercancel", release);
    }

    function click({ x, y }) {
      if (y < place.axis + place.strip && y >= place.axis) {
        const mark = book.nearest(state.marks, x);
        if (mark) {
          tell.choose(`finding:${book.under(mark, state.marks, page.findings, xOf, state.chosen).id}`);
          return;
        }
      }
      setLine(tOf(x));
    }

    sheet.addEventListener("wheel", (event) => {
      event.preventDefault();
      const lines = event.deltaMode === 1 ? 16 : 1;
      if (event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY)) {
        const by = (event.deltaX || event.deltaY) * lines;
        reach.pan((by * (reach.view.t1 - reach.view.t0)) / width);
      } else {
        reach.zoom(Math.exp(event.deltaY * lines * 0.0016), tOf(inside(event).x));
      }
      tip.hidden = true;
    }, { passive: false });
    sheet.addEventListener("pointerdown", press);
    sheet.addEventListener("pointermove", (event) => !event.buttons && hover(event));
    sheet.addEventListener("pointerleave", () => (tip.hidden = true));
    sheet.addEventListener("dblclick", () => reach.whole());
    book.overviewInput(overview, page.span, reach);
    const watch = new ResizeObserver(measure);
    watch.observe(sheet);

    /* Resolves once what is drawn is the server's answer to what is in view. */
    async function fresh() {
      await new Promise((next) => requestAnimationFrame(() => requestAnimationFrame(next)));
      await answered;
    }

    return {
      page, reach, clock, fresh, setLine, change, measure,
      line: () => state.line,
      choose(chosen) {
        state.chosen = chosen;
        draw();
      },
      close: () => watch.disconnect(),
    };
  };

  function writeLabels(labels, place) {
    for (const row of place.rows) {
      if (row.heading) {
        const heading = make("span", "heading", labels);
        heading.textContent = row.heading;
        heading.style.top = `${row.y - 20}px`;
      }
      const label = make("span", `label ${row.lane.kind}`, labels);
      label.textContent = row.lane.short;
      label.title = row.lane.note ? `${row.lane.title}: ${row.lane.note}` : row.lane.title;
      label.style.top = `${row.y}px`;
      label.style.lineHeight = `${row.height}px`;
      if (row.lane.note) label.classList.add("silent");
    }
    const strip = make("span", "label findings", labels);
    strip.textContent = "Findings";
    strip.style.top = `${place.axis}px`;
    strip.style.lineHeight = `${place.strip}px`;
  }
})();
