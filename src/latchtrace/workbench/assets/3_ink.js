/* Colours, patterns and signs. The colours stand in book.css, once for each theme; nothing is told by colour alone. */
(function () {
  "use strict";
  const book = (window.latchtrace = window.latchtrace || {});
  const NAMES = [
    "paper", "ink", "faint", "rule", "margin", "wash", "neutral", "lock", "unlock", "deadlock", "release", "accepted",
    "refused", "open", "on", "timer", "speed", "fault", "warning", "note", "outline",
  ];

  /* How a tone is drawn: its colour, and whether it is a filled, hollow, hatched or half-filled sign. */
  const TONES = {
    lock: ["lock", "filled"], locked: ["lock", "filled"],
    unlock: ["unlock", "hollow"], unlocked: ["unlock", "hollow"],
    deadlock: ["deadlock", "hatched"], deadlocked: ["deadlock", "hatched"],
    release: ["release", "half"],
    accepted: ["accepted", "filled"], decoded: ["accepted", "filled"],
    refused: ["refused", "crossed"], undecoded: ["refused", "crossed"],
    open: ["open", "hatched"], on: ["on", "filled"],
  };

  function hatch(context, colour, ground, lean) {
    const tile = document.createElement("canvas");
    tile.width = tile.height = 6;
    const pen = tile.getContext("2d");
    if (ground) {
      pen.fillStyle = ground;
      pen.fillRect(0, 0, 6, 6);
    }
    pen.strokeStyle = colour;
    pen.lineWidth = 1.4;
    pen.beginPath();
    for (const x of [-6, 0, 6]) {
      pen.moveTo(x, lean > 0 ? 6 : 0);
      pen.lineTo(x + 6, lean > 0 ? 0 : 6);
    }
    pen.stroke();
    return context.createPattern(tile, "repeat");
  }

  /* The inks of the theme in force. */
  book.inks = function (context) {
    const style = getComputedStyle(document.documentElement);
    const ink = {};
    for (const name of NAMES) ink[name] = style.getPropertyValue(`--${name}`).trim();
    ink.face = style.getPropertyValue("--figures").trim();
    ink.hatchOpen = hatch(context, ink.open, "", 1);
    ink.hatchDead = hatch(context, ink.deadlock, "", -1);
    ink.hatchGap = hatch(context, ink.faint, "", 1);
    ink.of = (tone) => {
      const [name, sign] = TONES[tone] || ["neutral", "filled"];
      return { colour: ink[name], sign };
    };
    return ink;
  };

  /* The little flag of a lock or unlock: filled, hollow, half, hatched or crossed, always outlined. */
  book.flag = function (pen, ink, tone, x, y) {
    const { colour, sign } = ink.of(tone);
    const size = 8;
    pen.lineWidth = 1.25;
    pen.strokeStyle = sign === "hollow" ? ink.ink : colour;
    pen.fillStyle = sign === "filled" || sign === "half" ? colour : sign === "hollow" ? colour : ink.paper;
    pen.fillRect(x, y, size, size);
    if (sign === "hollow") {
      pen.fillStyle = ink.paper;
      pen.fillRect(x + 2.5, y + 2.5, size - 5, size - 5);
    }
    if (sign === "half") {
      pen.fillStyle = ink.paper;
      pen.fillRect(x + 1, y + size / 2, size - 2, size / 2 - 1);
    }
    pen.strokeRect(x + 0.5, y + 0.5, size - 1, size - 1);
    if (sign === "crossed" || sign === "hatched") {
      pen.beginPath();
      pen.moveTo(x + 1, y + size - 1);
      pen.lineTo(x + size - 1, y + 1);
      if (sign === "crossed") {
        pen.moveTo(x + 1, y + 1);
        pen.lineTo(x + size - 1, y + size - 1);
      }
      pen.stroke();
    }
  };

  /* A finding's mark: a fault points down, a warning stands on its corner, a note is round. */
  book.findingSign = function (pen, ink, severity, x, y, size) {
    const half = size / 2;
    pen.fillStyle = ink[severity];
    pen.strokeStyle = ink.outline;
    pen.lineWidth = 1.2;
    pen.beginPath();
    if (severity === "fault") {
      pen.moveTo(x - half, y - half);
      pen.lineTo(x + half, y - half);
      pen.lineTo(x, y + half);
    } else if (severity === "warning") {
      pen.moveTo(x, y - half);
      pen.lineTo(x + half, y);
      pen.lineTo(x, y + half);
      pen.lineTo(x - half, y);
    } else {
      pen.arc(x, y, half * 0.8, 0, 2 * Math.PI);
    }
    pen.closePath();
    pen.fill();
    pen.stroke();
  };
})();
