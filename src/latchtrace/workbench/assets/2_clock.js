/* Times as people read them. All times are nanoseconds from the capture's first frame, as whole numbers. */
(function () {
  "use strict";
  const book = (window.latchtrace = window.latchtrace || {});
  const SECOND = 1e9, MINUTE = 60 * SECOND, HOUR = 60 * MINUTE, DAY = 24 * HOUR;
  const STEPS = [];
  for (let size = 1; size < SECOND; size *= 10) STEPS.push(size, 2 * size, 5 * size);
  STEPS.push(SECOND, 2 * SECOND, 5 * SECOND, 10 * SECOND, 15 * SECOND, 30 * SECOND);
  STEPS.push(MINUTE, 2 * MINUTE, 5 * MINUTE, 10 * MINUTE, 15 * MINUTE, 30 * MINUTE);
  STEPS.push(HOUR, 2 * HOUR, 3 * HOUR, 6 * HOUR, 12 * HOUR, DAY, 2 * DAY, 7 * DAY, 28 * DAY, 364 * DAY);

  book.clock = function (description) {
    const steps = description.steps;

    function shift(t) {
      let found = steps[0][1];
      for (const [from, offset] of steps) if (from <= t) found = offset;
      return found;
    }

    function text(t, digits) {
      const signed = description.dated ? (((t + shift(t)) % DAY) + DAY) % DAY : t;
      const whole = Math.abs(signed);
      const pad = (n, width) => String(n).padStart(width, "0");
      const seconds = Math.floor(whole / SECOND);
      const part = pad(Math.round(whole - seconds * SECOND), 9).slice(0, digits);
      const sign = description.dated ? "" : signed < 0 ? "-" : "+";
      const clock = `${pad(Math.floor(seconds / 3600), 2)}:${pad(Math.floor(seconds / 60) % 60, 2)}`;
      if (digits < 0) return sign + clock;
      return `${sign}${clock}:${pad(seconds % 60, 2)}${digits ? `.${part}` : ""}`;
    }

    /* Round times of a view with about `room` pixels each: [{t, text, strong}]. */
    function ticks(t0, t1, width, room) {
      const wanted = ((t1 - t0) * room) / width;
      const step = STEPS.find((size) => size >= wanted) || STEPS[STEPS.length - 1];
      let digits = -1;
      if (step < MINUTE) digits = 0;
      if (step < SECOND) digits = Math.min(9, Math.ceil(9 - Math.log10(step) - 1e-9));
      const offset = description.dated ? shift(t0) : 0;
      const found = [];
      for (let at = Math.ceil((t0 + offset) / step) * step; at - offset <= t1; at += step) {
        const t = at - offset;
        found.push({ t, text: text(t, digits), strong: at % (step * 5) === 0 });
      }
      return { step, found };
    }

    return { text, ticks, zone: description.zone };
  };

  /* A length of time in words, as short as it can be. */
  book.lengthText = function (length) {
    const figure = (value, unit) => `${Number(value.toPrecision(3))} ${unit}`;
    if (length < 1e3) return `${length} ns`;
    if (length < 1e6) return figure(length / 1e3, "µs");
    if (length < SECOND) return figure(length / 1e6, "ms");
    if (length < 2 * MINUTE) return figure(length / SECOND, "s");
    const minutes = Math.round(length / MINUTE);
    return minutes < 120 ? `${minutes} min` : `${Math.floor(minutes / 60)} h ${minutes % 60} min`;
  };
})();
