/* The view: which stretch is on screen, where its bytes come from, and what the address bar says of it. */
(function () {
  "use strict";
  const book = (window.latchtrace = window.latchtrace || {});
  const NARROWEST = 20000;
  const MARGIN = 0.5;

  /* Fetches stretches; an answer that a newer question has overtaken is dropped. */
  book.supply = function (page, arrived, failed) {
    let sequence = 0, shown = 0, pending = null, held = null;

    function covers(view, pixels) {
      if (!held || held.pixels !== pixels) return false;
      const span = view.t1 - view.t0;
      return held.span === span && view.t0 >= held.t0 && view.t1 <= held.t1;
    }

    async function ask(view, pixels) {
      if (covers(view, pixels)) return;
      const span = view.t1 - view.t0, margin = Math.round(span * MARGIN);
      const from = view.t0 - margin, to = view.t1 + margin;
      sequence += 1;
      const mine = sequence;
      if (pending) pending.abort();
      pending = new AbortController();
      const wide = Math.min(Math.round(pixels * (1 + 2 * MARGIN)), 8192);
      const query = new URLSearchParams({ from, to, pixels: wide, sequence: mine });
      try {
        const answer = await fetch(`/stretch/${page}?${query}`, { signal: pending.signal });
        if (!answer.ok) throw new Error(`status ${answer.status}`);
        const stretch = book.readStretch(await answer.arrayBuffer());
        if (mine < shown || stretch.sequence !== mine) return;
        shown = mine;
        held = { t0: from, t1: to, span, pixels };
        arrived(stretch);
      } catch (error) {
        if (error.name !== "AbortError") failed(error);
      }
    }
    return { ask, covers };
  };

  /* The stretch on screen, kept within reach of the capture and never narrower than it can be drawn. */
  book.window = function (span, changed, range) {
    const view = { t0: span[0], t1: span[1] };
    const widest = Math.max((span[1] - span[0]) * 1.1, NARROWEST);
    let motion = 0;

    function settle(t0, t1) {
      const length = Math.round(Math.min(Math.max(t1 - t0, NARROWEST), widest));
      let from = Math.round((t0 + t1) / 2 - length / 2);
      from = Math.min(Math.max(from, Math.round(span[0] - length / 2)), Math.round(span[1] - length / 2));
      view.t0 = from;
      view.t1 = from + length;
      changed();
    }

    function still() {
      return window.matchMedia("(prefers-reduced-motion: reduce)").matches;
    }

    if (range) settle(...range);

    return {
      view,
      set(t0, t1) {
        motion += 1;
        settle(t0, t1);
      },
      whole() {
        this.glide(span[0], span[1]);
      },
      zoom(factor, around) {
        motion += 1;
        const share = (around - view.t0) / (view.t1 - view.t0);
        const length = Math.min(Math.max((view.t1 - view.t0) * factor, NARROWEST), widest);
        settle(around - share * length, around + (1 - share) * length);
      },
      pan(by) {
        motion += 1;
        settle(view.t0 + by, view.t1 + by);
      },
      /* Move there in a quarter of a second, or at once for people who want nothing to move. */
      glide(t0, t1) {
        motion += 1;
        if (still()) return settle(t0, t1);
        const mine = motion, began = performance.now(), from = { ...view };
        const lengths = [Math.log(from.t1 - from.t0), Math.log(Math.max(t1 - t0, 1))];
        const middles = [(from.t0 + from.t1) / 2, (t0 + t1) / 2];
        const move = (now) => {
          if (mine !== motion) return;
          const along = Math.min((now - began) / 250, 1);
          if (along >= 1) {
            settle(t0, t1);
            return;
          }
          const ease = along * along * (3 - 2 * along);
          const length = Math.exp(lengths[0] + (lengths[1] - lengths[0]) * ease);
          const share = lengths[0] === lengths[1]
            ? ease
            : (Math.exp(lengths[0]) - length) / (Math.exp(lengths[0]) - Math.exp(lengths[1]));
          const middle = middles[0] + (middles[1] - middles[0]) * share;
          settle(middle - length / 2, middle + length / 2);
          requestAnimationFrame(move);
        };
        requestAnimationFrame(move);
        return undefined;
      },
    };
  };

  /* What the address bar says: capture, range, and what was chosen. Ids and figures only, never a path. */
  book.address = {
    read() {
      const query = new URLSearchParams(window.location.search);
      const number = (name) => (/^-?\d{1,18}$/.test(query.get(name) || "") ? Number(query.get(name)) : null);
      const chosen = ["finding", "action"].find((kind) => query.has(kind));
      const from = number("from"), to = number("to");
      return {
        capture: query.get("capture") || "",
        range: from !== null && to !== null && from < to ? [from, to] : null,
        chosen: chosen ? `${chosen}:${query.get(chosen)}` : "",
      };
    },
    write(capture, view, chosen) {
      const query = new URLSearchParams({ capture, from: view.t0, to: view.t1 });
      if (chosen) query.set(...chosen.split(/:(.*)/s, 2));
      window.history.replaceState(null, "", `?${query}`);
    },
  };
})();
