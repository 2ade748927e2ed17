/* The desk: opens a capture, chooses findings, answers keys, and keeps the address bar and the table in step. */
(function () {
  "use strict";
  const book = (window.latchtrace = window.latchtrace || {});
  const desk = { lanes: null, capture: "", chosen: "", opening: 0 };
  const QUIET = 200;
  const byId = (id) => document.getElementById(id);
  const give = (id, data) => window.dash_clientside.set_props(id, { data });

  function later(wait, act) {
    let timer = 0;
    return (...what) => {
      clearTimeout(timer);
      timer = setTimeout(() => act(...what), wait);
    };
  }

  const speak = later(300, (text) => (byId("spoken").textContent = text));
  const settled = later(QUIET, (view) => {
    book.address.write(desk.capture, view, desk.chosen);
    const folded = byId("in-view").closest("details");
    if (folded.open) give("view", { capture: desk.capture, from: view.t0, to: view.t1 });
  });

  function failed() {
    speak("The workbench no longer answers. Start it again, then reload this page.");
    document.body.classList.add("unanswered");
  }

  async function open(capture, address) {
    const mine = (desk.opening += 1);
    let page;
    try {
      const answer = await fetch(`/lanes/${encodeURIComponent(capture)}`);
      if (!answer.ok) throw new Error(`status ${answer.status}`);
      page = await answer.json();
    } catch (error) {
      failed(error);
      return;
    }
    if (mine !== desk.opening) return;
    if (desk.lanes) desk.lanes.close();
    desk.capture = page.id;
    desk.lanes = book.lanes(byId("lanes"), page, { choose, settled, failed, line: (_, words) => speak(words) }, address.range);
    give("capture", page.id);
    press("[data-capture]", (each) => each.dataset.capture === page.id);
    desk.chosen = "";
    choose(address.chosen || "", !address.range);
    document.documentElement.dataset.ready = page.id;
  }

  function press(selector, isOn) {
    for (const each of document.querySelectorAll(selector)) {
      const target = each.tagName === "LI" ? each.querySelector("button") : each;
      target.setAttribute("aria-pressed", String(Boolean(isOn(each))));
    }
  }

  const showPressed = () => press("#entries [data-choose]", (each) => desk.chosen && each.dataset.choose === desk.chosen);

  function found(chosen) {
    const [kind, id] = chosen.split(/:(.*)/s, 2);
    const { page } = desk.lanes;
    if (kind === "finding") return page.findings.find((finding) => finding.id === id) || null;
    const range = kind === "action" && page.actions[id];
    return range ? { at: range, focus: range, severity: "action", text: "" } : null;
  }

  /* Choose a finding or an action ("" for none): its mark, its page, its place in the list. */
  function choose(chosen, go = true) {
    const item = chosen ? found(chosen) : null;
    desk.chosen = item ? chosen : "";
    desk.lanes.choose(item);
    give("chosen", desk.chosen || null);
    showPressed();
    const entry = document.querySelector('#entries [aria-pressed="true"]');
    if (entry) entry.scrollIntoView({ block: "nearest" });
    if (item && go) desk.lanes.reach.glide(...item.focus);
    if (item && item.text) speak(`${item.says}: ${item.text}`);
    settled(desk.lanes.reach.view);
  }

  function step(by) {
    const { findings } = desk.lanes.page;
    const order = findings.map((finding, i) => i).sort((a, b) => findings[a].at[0] - findings[b].at[0]);
    if (!order.length) return;
    const now = order.findIndex((i) => `finding:${findings[i].id}` === desk.chosen);
    const next = now < 0 ? (by > 0 ? 0 : order.length - 1) : (now + by + order.length) % order.length;
    choose(`finding:${findings[order[next]].id}`);
  }

  async function stepLine(ahead) {
    const { lanes } = desk, { view } = lanes.reach;
    await lanes.fresh();
    const from = lanes.line() === null ? (ahead ? view.t0 - 1 : view.t1 + 1) : lanes.line();
    const next = lanes.change(from, ahead);
    if (next === null) {
      speak(ahead ? "No later change in reach." : "No earlier change in reach.");
      return;
    }
    if (next < view.t0 || next > view.t1) lanes.reach.set(next - (view.t1 - view.t0) / 2, next + (view.t1 - view.t0) / 2);
    lanes.setLine(next);
  }

  function theme() {
    const root = document.documentElement;
    const dark = root.dataset.theme ? root.dataset.theme === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
    root.dataset.theme = dark ? "light" : "dark";
    try {
      localStorage.setItem("latchtrace-theme", root.dataset.theme);
    } catch (error) {
      /* a browser that stores nothing forgets the theme, and nothing else */
    }
    if (desk.lanes) desk.lanes.measure();
  }

  const middle = () => (desk.lanes.reach.view.t0 + desk.lanes.reach.view.t1) / 2;
  const pan = (share) => desk.lanes.reach.pan((desk.lanes.reach.view.t1 - desk.lanes.reach.view.t0) * share);
  const around = () => {
    const line = desk.lanes.line(), { view } = desk.lanes.reach;
    return line !== null && line >= view.t0 && line <= view.t1 ? line : middle();
  };
  const sheet = () => (byId("keys").open ? byId("keys").close() : byId("keys").showModal());
  const ACTS = {
    whole: () => desk.lanes.reach.whole(),
    theme, keys: sheet, "close-keys": () => byId("keys").close(),
  };
  const KEYS = {
    ArrowLeft: () => pan(-0.2), ArrowRight: () => pan(0.2),
    "+": () => desk.lanes.reach.zoom(0.6, around()), "=": () => desk.lanes.reach.zoom(0.6, around()),
    "-": () => desk.lanes.reach.zoom(1 / 0.6, around()), "−": () => desk.lanes.reach.zoom(1 / 0.6, around()),
    0: ACTS.whole, n: () => step(1), p: () => step(-1), ".": () => stepLine(true), ",": () => stepLine(false),
    Escape: () => choose(""), d: theme, "?": sheet,
  };

  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || !desk.lanes) return;
    if (event.key === "?" && byId("keys").open) sheet();
    if (event.target.closest("input, textarea, select, dialog")) return;
    if (event.key.startsWith("Arrow") && event.target.closest(".scroll, .entries")) return;
    const act = KEYS[event.key];
    if (!act) return;
    event.preventDefault();
    act();
  });

  document.addEventListener("click", (event) => {
    const target = event.target.closest("[data-choose], [data-capture], [data-do], [data-moment]");
    if (!target || !desk.lanes) return;
    const { choose: chosen, capture, do: act, moment } = target.dataset;
    if (act) ACTS[act]();
    else if (capture !== undefined) {
      if (capture !== desk.capture) open(capture, {});
    } else if (moment !== undefined) showMoment(Number(moment));
    else choose(chosen === desk.chosen && target.tagName === "LI" ? desk.chosen : chosen);
  });

  function showMoment(t) {
    const { reach } = desk.lanes, half = (reach.view.t1 - reach.view.t0) / 2;
    if (t < reach.view.t0 || t > reach.view.t1) reach.set(t - half, t + half);
    desk.lanes.setLine(t);
  }

  function begin() {
    const tabs = [...document.querySelectorAll("[data-capture]")].map((tab) => tab.dataset.capture);
    const address = book.address.read();
    const known = tabs.includes(address.capture), stated = Boolean(address.capture);
    byId("in-view").closest("details").addEventListener("toggle", () => settled(desk.lanes.reach.view));
    new MutationObserver(showPressed).observe(byId("entries"), { childList: true });
    if (tabs.length) open(known ? address.capture : tabs[0], known || !stated ? address : {});
  }

  try {
    const kept = localStorage.getItem("latchtrace-theme");
    if (kept === "dark" || kept === "light") document.documentElement.dataset.theme = kept;
  } catch (error) {
    /* the theme of the system then */
  }
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => desk.lanes && desk.lanes.measure());

  const wait = new MutationObserver(() => {
    if (!byId("lanes") || !byId("entries") || !byId("in-view")) return;
    wait.disconnect();
    begin();
  });
  wait.observe(document.body, { childList: true, subtree: true });
})();
