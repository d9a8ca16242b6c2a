"use strict";
/* The page works without this file. It adds: keys, a pad for readings, a timer with a sound,
   sending again after a lost connection, news from other devices, reading aloud. */
(() => {
  const UNSENT = "faulttree-unsent", ALOUD = "faulttree-aloud";
  const AGAIN_MS = 3000;
  const one = (selector, within = document) => within.querySelector(selector);
  const all = (selector, within = document) => [...within.querySelectorAll(selector)];
  let stream = null, ticking = null, sending = false;

  // -- local storage: what was not sent, in the order it was given -------------------------
  const unsent = () => { try { return JSON.parse(localStorage.getItem(UNSENT)) || []; } catch { return []; } };
  const keepUnsent = (list) => { try { localStorage.setItem(UNSENT, JSON.stringify(list)); } catch { /* full or forbidden: it stays on the page */ } };

  function say(text, button) {
    const place = one("#sent");
    place.textContent = text;
    if (button) place.append(button);
  }

  // -- replies ----------------------------------------------------------------------------
  function fieldsOf(form, submitter) {
    const data = new FormData(form);
    if (submitter && submitter.name) data.append(submitter.name, submitter.value);
    return [...data].filter(([name]) => name !== "csrf").map(([name, value]) => [name, String(value)]);
  }

  async function post(item) {
    const body = new URLSearchParams(item.fields);
    body.append("csrf", one('meta[name="csrf"]').content);
    return fetch(item.to, { method: "POST", body, redirect: "follow", credentials: "same-origin" });
  }

  async function send(item) {
    if (sending) return;
    sending = true;
    document.documentElement.setAttribute("aria-busy", "true");
    try {
      const answer = await post(item);
      if (answer.status === 429 || answer.status === 503) throw new Error("busy");
      await show(answer);
      say("");
    } catch {
      const list = unsent();
      if (!list.some((kept) => key(kept) === key(item))) list.push(item);
      keepUnsent(list);
      waiting();
    } finally {
      sending = false;
      document.documentElement.removeAttribute("aria-busy");
    }
  }

  const key = (item) => (item.fields.find(([name]) => name === "key") || [])[1];

  function waiting() {
    const list = unsent();
    if (!list.length) { say(""); return; }
    const words = list.map((item) => words_of(item)).join("; ");
    const drop = document.createElement("button");
    drop.type = "button";
    drop.textContent = "Do not send it";
    drop.addEventListener("click", () => { keepUnsent([]); say(""); });
    say(`Not sent yet, kept on this device: ${words}. It is sent when the connection is back.`, drop);
  }

  function words_of(item) {
    const get = (name) => (item.fields.find(([one]) => one === name) || [])[1] || "";
    return [get("action") === "answer" ? "" : get("action"), get("choice"), get("text")].filter(Boolean).join(" ") || "done";
  }

  async function sendAgain() {
    const [item] = unsent();
    if (!item || sending) return;
    sending = true;
    try {
      const answer = await post(item);
      if (answer.status === 429 || answer.status === 503) return;
      keepUnsent(unsent().filter((kept) => key(kept) !== key(item)));
      const here = one("#case");
      if (here && item.to.includes(here.dataset.case || "-")) { await show(answer); waiting(); }
      else say(answer.status === 409 ? `Not recorded, the case went on meanwhile: ${words_of(item)}` : "Sent.");
    } catch { waiting(); } finally { sending = false; }
  }

  async function show(answer) {
    const text = await answer.text();
    const type = answer.headers.get("content-type") || "";
    if (!type.includes("html")) { say(text.trim()); return; }
    const next = new DOMParser().parseFromString(text, "text/html");
    const main = one("main", next);
    if (!main) return;
    one("main").replaceWith(document.adoptNode(main));
    document.title = next.title;
    const token = one('meta[name="csrf"]', next);
    if (token && token.content) one('meta[name="csrf"]').content = token.content;
    if (answer.redirected && new URL(answer.url).pathname !== location.pathname) history.pushState({}, "", answer.url);
    begin();
    const refused = one('[role="alert"]');
    const target = (refused && one("#text")) || one("#asked");
    if (target) target.focus({ preventScroll: true });
    scrollTo(0, 0);
    aloud();
  }

  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (form.method !== "post" || !one("#case") || !form.closest("#case")) return;
    if (form.enctype === "multipart/form-data") return;
    event.preventDefault();
    send({ to: form.getAttribute("action"), fields: fieldsOf(form, event.submitter) });
  });
  addEventListener("popstate", () => location.reload());
  addEventListener("online", sendAgain);
  setInterval(sendAgain, AGAIN_MS);

  // -- keys: digits choose, Enter confirms, Esc closes, letters are words ------------------
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey || event.repeat) return;
    const typing = event.target.closest("input, textarea, select");
    if (event.key === "Escape" && typing) { typing.blur(); return; }
    if (typing) return;
    if (event.key === "Enter" && event.target.closest("button, a, summary")) return;
    const found = all("[data-key]").find((place) => place.dataset.key === event.key);
    if (!found) return;
    event.preventDefault();
    if (found.tagName === "DETAILS") { found.open = true; one("input:not([type=hidden]), select", found).focus(); }
    else if (found.dataset.key === "Enter" && one("#text") && one("#text").form === found.form && !one("#text").value) one("#text").focus();
    else found.click();
  });

  // -- a pad for readings -------------------------------------------------------------------
  function pad() {
    const keys = one(".keys"), field = one("#text");
    if (!keys || !field) return;
    keys.hidden = false;
    field.inputMode = "decimal";
    all("[data-put]", keys).forEach((button) => button.addEventListener("click", () => {
      const at = field.selectionStart ?? field.value.length;
      field.value = field.value.slice(0, at) + button.dataset.put + field.value.slice(field.selectionEnd ?? at);
      field.focus();
      field.setSelectionRange(at + button.dataset.put.length, at + button.dataset.put.length);
    }));
  }

  // -- the timer, by the time left that the server told ------------------------------------
  function timer() {
    clearInterval(ticking);
    const place = one(".timer");
    if (!place) return;
    const end = performance.now() + 1000 * Number(place.dataset.left);
    const tick = () => {
      const left = Math.max(0, Math.ceil((end - performance.now()) / 1000));
      place.textContent = left ? `${Math.floor(left / 60)} min ${left % 60} s left` : "The time is up.";
      if (left) return;
      clearInterval(ticking);
      place.classList.add("over");
      ring();
      if (one('[value="cut"]')) setTimeout(reload, 1200);
    };
    ticking = setInterval(tick, 500);
    tick();
  }

  function ring() {
    try {
      const sound = new AudioContext();
      [0, 0.4, 0.8].forEach((at) => {
        const tone = sound.createOscillator(), level = sound.createGain();
        tone.frequency.value = 880;
        level.gain.value = 0.2;
        tone.connect(level).connect(sound.destination);
        tone.start(sound.currentTime + at);
        tone.stop(sound.currentTime + at + 0.2);
      });
    } catch { /* no sound here; the terminal rings too */ }
    if (navigator.vibrate) navigator.vibrate([200, 200, 200]);
  }

  // -- other devices ------------------------------------------------------------------------
  async function reload() {
    try { await show(await fetch(location.href, { credentials: "same-origin" })); } catch { /* the stream tells again */ }
  }

  function listen() {
    const here = one("#case");
    if (stream) stream.close();
    stream = null;
    if (!here || !here.dataset.case) return;
    stream = new EventSource(`/case/${here.dataset.case}/live?seen=${here.dataset.seen}`);
    stream.addEventListener("length", async (event) => {
      const now = one("#case");
      if (!now || Number(event.data) === Number(now.dataset.seen) || sending) return;
      const typed = all("main input:not([type=hidden]), main textarea").some((field) => field.type !== "checkbox" && field.value !== field.defaultValue);
      if (!typed) { await reload(); return; }
      const load = document.createElement("button");
      load.type = "button";
      load.textContent = "Show what happened";
      load.addEventListener("click", () => { const draft = (one("#text") || {}).value; reload().then(() => say(draft ? `Your draft: ${draft}` : "")); });
      say("Another device went on with this case.", load);
    });
  }

  // -- advice takes the server longer than a step, so it comes after it --------------------
  async function advice() {
    const place = one("#advice");
    if (!place) return;
    try {
      const text = await (await fetch(place.dataset.from, { credentials: "same-origin" })).text();
      const rows = one("#advised .rows", new DOMParser().parseFromString(text, "text/html"));
      if (rows) place.replaceChildren(document.adoptNode(rows)); else place.replaceChildren();
    } catch { /* the link stays */ }
  }

  // -- reading aloud: voices of this device only, off until asked for ----------------------
  const voices = () => ("speechSynthesis" in window ? speechSynthesis.getVoices().filter((voice) => voice.localService) : []);
  const wanted = () => { try { return localStorage.getItem(ALOUD) === "yes"; } catch { return false; } };

  function aloud() {
    const place = one(".aloud"), button = one("#aloud");
    if (!place || !("speechSynthesis" in window)) return;
    place.hidden = false;
    button.setAttribute("aria-pressed", String(wanted()));
    button.onclick = () => {
      try { localStorage.setItem(ALOUD, wanted() ? "no" : "yes"); } catch { /* not kept */ }
      speechSynthesis.cancel();
      aloud();
    };
    if (!wanted()) return;
    const voice = voices().find((each) => each.lang.startsWith("en")) || voices()[0];
    if (!voice) return;
    speechSynthesis.cancel();
    const said = new SpeechSynthesisUtterance(all(".speak").map((each) => each.textContent).join(". "));
    said.voice = voice;
    speechSynthesis.speak(said);
  }

  function begin() { pad(); timer(); listen(); advice(); }
  begin();
  aloud();
  waiting();
  sendAgain();
})();
