// Keys and moving light for pages that work without this script. It builds no
// markup from data: text goes in as text, and every change is a form's post.
"use strict";
(() => {
  const $ = (q, from = document) => from.querySelector(q);
  const all = (q, from = document) => [...from.querySelectorAll(q)];
  let place = "", rows = [], desk = null;
  const remember = (key, value) => { try { localStorage.setItem(key, value); } catch { /* private window: not kept */ } };
  const recall = (key) => { try { return localStorage.getItem(key); } catch { return null; } };

  // ---- the card of keys, and the switch for single keys (WCAG 2.1.4)
  const card = $("#keys"), single = $("#single");
  single.checked = recall("single") !== "no";
  single.addEventListener("change", () => remember("single", single.checked ? "yes" : "no"));
  const showKeys = () => (card.open ? card.close() : card.showModal());

  const typing = (el) => el && el.matches && (el.matches("textarea, select") || (el.matches("input") && !["checkbox", "radio", "button"].includes(el.type)));
  const go = (q) => { const el = $(q); if (el) el.click(); };

  // ---- lists
  const step = (list, by) => {
    if (!list.length) return;
    const at = list.indexOf(document.activeElement);
    const to = list[Math.max(0, Math.min(list.length - 1, at < 0 ? 0 : at + by))];
    to.focus();
    to.scrollIntoView({ block: "nearest" });
  };

  // ---- one draft
  const say = (text) => { const p = $("#say"); if (p) p.textContent = text; };
  let fields = [], now = null, armed = false, posting = Promise.resolve(true);

  const light = (field) => {
    if (now) now.classList.remove("now");
    now = field;
    if (!field) return;
    field.classList.add("now");
    all("#wording .words").forEach((w) => w.classList.toggle("lit", w.dataset.term.split(" ").includes(field.dataset.term)));
    all("#photo .box").forEach((b) => {
      const lit = b.dataset.term === field.dataset.term;
      b.classList.toggle("lit", lit);
      // Several fields can share their words: the lit one is drawn last.
      if (lit) b.parentNode.append(b);
    });
    if (photo.look === "words") photo.follow();
  };
  const goTo = (field) => {
    if (!field) return;
    light(field);
    field.focus({ preventScroll: true });
    field.scrollIntoView({ block: "nearest" });
  };
  const input = (field) => $("input:not([type=hidden])", field);
  // A value of a draft, or of an entry of a notebook page.
  const FIELD = ".field, .noted";

  // ---- the photograph: what part of it is seen, and how
  const photo = {
    svg: null, look: "writing", turns: 0, view: null,
    // The part with the fields' words, in the shape of the photograph: labels
    // are often small beside the animal.
    writing() {
      const words = all("#photo .box"), lines = words.length ? words : all("#photo .line"), whole = this.whole();
      if (!lines.length || this.turns) return whole;
      const [l, t, r, b] = this.box(lines), w = whole[2], h = whole[3];
      const part = Math.min(1, Math.max((r - l) / w, (b - t) / h) * 1.25);
      const at = (centre, length, size) => Math.min(Math.max(0, centre - length / 2), size - length);
      return [at((l + r) / 2, w * part, w), at((t + b) / 2, h * part, h), w * part, h * part];
    },
    whole() {
      const w = +this.svg.dataset.width, h = +this.svg.dataset.height;
      return this.turns % 2 ? [(w - h) / 2, (h - w) / 2, h, w] : [0, 0, w, h];
    },
    show(to, at_once) {
      if (!this.svg) return;
      const from = this.view || this.whole();
      this.view = to;
      const still = at_once || matchMedia("(prefers-reduced-motion: reduce)").matches;
      const began = performance.now();
      const frame = (t) => {
        const p = still ? 1 : Math.min(1, (t - began) / 140), e = 1 - (1 - p) * (1 - p);
        if (this.view !== to) return;
        this.svg.setAttribute("viewBox", from.map((f, i) => f + (to[i] - f) * e).join(" "));
        if (p < 1) requestAnimationFrame(frame); else this.sharpen();
      };
      still ? frame(began) : requestAnimationFrame(frame);
    },
    // The small view is too coarse when near: fetch the part from the original.
    sharpen() {
      clearTimeout(this.timer);
      this.timer = setTimeout(() => {
        const w = +this.svg.dataset.width, h = +this.svg.dataset.height, group = $("#near");
        if (this.turns || !this.view) return group.replaceChildren();
        const longest = Math.max(w, h);
        if (longest <= 1800 || this.view[2] > w * 0.6) return group.replaceChildren();
        const [x, y] = [Math.max(0, Math.floor(this.view[0])), Math.max(0, Math.floor(this.view[1]))];
        const pw = Math.min(w - x, Math.ceil(this.view[2])), ph = Math.min(h - y, Math.ceil(this.view[3]));
        if (pw < 1 || ph < 1) return;
        const image = document.createElementNS("http://www.w3.org/2000/svg", "image");
        for (const [k, v] of Object.entries({ x, y, width: pw, height: ph, preserveAspectRatio: "none", href: `/photo/${this.svg.dataset.photo}/part.jpg?at=${x},${y},${pw},${ph}` })) image.setAttribute(k, v);
        group.replaceChildren(image);
      }, 200);
    },
    box(polygons) {
      const points = polygons.flatMap((p) => p.getAttribute("points").split(" ").map((q) => q.split(",").map(Number)));
      const xs = points.map((p) => p[0]), ys = points.map((p) => p[1]);
      return [Math.min(...xs), Math.min(...ys), Math.max(...xs), Math.max(...ys)];
    },
    follow(at_once) {
      if (!this.svg) return;
      const lit = all("#photo .box.lit");
      if (this.look === "whole" || this.turns) return this.show(this.whole(), at_once);
      if (this.look === "writing" || !lit.length) return this.show(this.writing(), at_once);
      const [l, t, r, b] = this.box(lit), w = +this.svg.dataset.width, h = +this.svg.dataset.height;
      // The words with as much again around them, and never nearer than a
      // sixth of the photograph: beyond that the eye loses its way.
      const vw = Math.min(w, Math.max((r - l) * 2, (b - t) * 3 * (w / h), w / 6)), vh = vw * (h / w);
      this.show([(l + r - vw) / 2, (t + b - vh) / 2, vw, vh]);
    },
    scale(by) {
      if (!this.svg) return;
      const [x, y, w, h] = this.view || this.whole(), whole = this.whole();
      const nw = Math.min(whole[2], Math.max(whole[2] / 20, w * by)), nh = h * (nw / w);
      const lit = all("#photo .box.lit");
      let cx = x + w / 2, cy = y + h / 2;
      if (lit.length && !this.turns && by < 1) { const [l, t, r, b] = this.box(lit); cx = (l + r) / 2; cy = (t + b) / 2; }
      this.show(nw >= whole[2] ? whole : [cx - nw / 2, cy - nh / 2, nw, nh]);
    },
    turn() {
      if (!this.svg) return;
      this.turns = (this.turns + 1) % 4;
      const w = +this.svg.dataset.width, h = +this.svg.dataset.height;
      $("#turned").setAttribute("transform", `rotate(${this.turns * 90} ${w / 2} ${h / 2})`);
      this.follow(true);
    },
    cycle(classes) {
      if (!this.svg) return;
      const at = classes.findIndex((c) => c && this.svg.classList.contains(c));
      classes.forEach((c) => c && this.svg.classList.remove(c));
      const next = at < 0 ? classes[0] : classes[at + 1];
      if (next) this.svg.classList.add(next);
    },
  };

  // ---- values are kept as soon as a field is left: closing the page loses nothing
  const keep = () => {
    const touched = fields.filter((f) => input(f).value.trim() !== input(f).dataset.was);
    if (!touched.length) return posting;
    const form = touched[0].closest("form"), more = touched.some((f) => f.closest("form") !== form);
    posting = posting.catch(() => true).then(async () => {
      const body = new URLSearchParams();
      for (const name of ["token", "walk", "seen"]) body.append(name, form.elements[name].value);
      const sent = touched.filter((f) => f.closest("form") === form).map((f) => [f, input(f).value.trim()]).filter(([f, v]) => v !== input(f).dataset.was);
      if (!sent.length) return true;
      for (const [f, v] of sent) body.append(input(f).name, v);
      let answer, got;
      try {
        answer = await fetch(form.action, { method: "POST", body, headers: { accept: "application/json" } });
        got = await answer.json();
      } catch {
        say("The program does not answer. What you typed is still on this page.");
        toast("The program does not answer: what you typed is on this page only.");
        return false;
      }
      for (const [f] of sent) $(".wrong", f).textContent = (got.misfits && got.misfits[f.dataset.term]) || "";
      if (!answer.ok) {
        const text = got.trouble || Object.values(got.misfits || {}).join(" ");
        say(text);
        if (got.trouble) toast(got.trouble);
        return false;
      }
      all("input[name=seen]").forEach((seen) => { seen.value = got.seen; });
      for (const [f, v] of sent) {
        input(f).dataset.was = v;
        input(f).removeAttribute("aria-invalid");
      }
      // A date of a notebook's entry goes on to the entries below it.
      for (const f of fields) {
        const state = got.values[f.dataset.term], at = input(f);
        if (!state || (at.value.trim() !== at.dataset.was)) continue;
        if (at.value.trim() !== state.value) { at.value = state.value; at.dataset.was = state.value; }
        const from = f.classList.contains("noted") && $(".from", f);
        if (from && state.from && from.textContent !== state.from) from.textContent = state.from;
      }
      for (const [f, v] of sent) {
        const state = got.values[f.dataset.term];
        f.classList.toggle("changed", !!state && state.changed);
        f.classList.toggle("empty", !v);
        if (state && state.changed && $(".sure", f)) {
          f.classList.remove("doubted");
          const mark = document.createElement("span");
          mark.className = "yours";
          mark.textContent = "yours";
          $(".sure", f).replaceChildren(mark);
        }
      }
      // Checked again with what was typed: some no longer hold, others came up.
      $("#doubts").outerHTML = got.doubts;
      doubted();
      count();
      if (got.same) offer(got.same);
      return true;
    });
    // Each entry is a form of its own.
    return more ? posting.then((ok) => (ok === false ? false : keep())) : posting;
  };
  const doubted = () => all(".doubt button").forEach((b) => b.addEventListener("click", () => {
    const { terms, entry } = b.parentElement.dataset;
    goTo(entry ? $(`#entry-${entry} .noted`) : $(`#f-${terms.split(" ")[0]}`));
  }));
  const count = () => {
    const settle = $("#settle");
    if (!settle) return;
    const open = all(".doubt:not(.answered):not(.remark)").length;
    settle.dataset.open = open;
    const word = $(".open", settle);
    if (word) word.textContent = open ? ` with ${open} ${open === 1 ? "doubt" : "doubts"}` : "";
  };
  // The same words elsewhere are offered, never changed unseen.
  const offer = (same) => {
    all(".offers").forEach((o) => o.remove());
    if (!same.length) return;
    const bar = document.createElement("div");
    bar.className = "notice offers";
    bar.setAttribute("role", "status");
    for (const one of same) {
      const link = document.createElement("a"), key = document.createElement("kbd");
      link.className = "button offer";
      link.href = one.to + location.search;
      key.textContent = "o";
      link.append(key, ` ${one.say}`);
      bar.append(link);
    }
    desk.before(bar);
  };
  let toasting;
  const toast = (text) => {
    let p = $(".toast");
    if (!p) { p = document.createElement("p"); p.className = "toast"; p.setAttribute("role", "status"); document.body.append(p); }
    p.textContent = text;
    clearTimeout(toasting);
    toasting = setTimeout(() => p.remove(), 6000);
  };

  // A second press while the next draft is on its way is one too many, not a
  // second settling.
  let leaving = false;
  addEventListener("pageshow", () => { leaving = false; });

  // ---- the next page comes in place of this one: style and script stay, only
  // what is shown changes. Without this script the same addresses lead there.
  let here = location.pathname + location.search;
  addEventListener("popstate", () => { if (location.pathname + location.search !== here) location.reload(); });
  const visit = async (address, form, by) => {
    if (leaving) return;
    leaving = true;
    let answer, text;
    // What is being kept belongs to this page, and says what the form has seen.
    await posting.catch(() => true);
    try {
      const body = form && new URLSearchParams(new FormData(form, by));
      answer = await fetch(address, { method: form ? "POST" : "GET", body, headers: { accept: "text/html" } });
      text = await answer.text();
    } catch {
      leaving = false;
      toast("The program does not answer. See that it still runs, then try again.");
      return;
    }
    const page = new DOMParser().parseFromString(text, "text/html"), main = $("#main", page), top = $("header.top", page);
    if (!main || !top) { location.assign(answer.url); return; }
    // A page that came as the answer to what was sent has no address of its own.
    if (!form || answer.redirected) {
      history.pushState(null, "", answer.url);
      here = location.pathname + location.search;
    }
    document.title = page.title;
    document.body.dataset.place = page.body.dataset.place;
    fields = [];
    $("header.top").replaceWith(top);
    $("#main").replaceWith(main);
    scrollTo(0, 0);
    leaving = false;
    begin();
    const notice = $(".notice");
    if (notice) setTimeout(() => say(notice.textContent), 100);
    // Fetched ahead and decoded, it is drawn with the page's first frame.
    const image = $("#photo image");
    const there = image && ahead && ahead.complete && ahead.naturalWidth && ahead.getAttribute("src") === image.getAttribute("href");
    if (image && !there) for (const end of ["load", "error"]) image.addEventListener(end, shown);
    else shown();
  };
  // When a page has all that it shows: marked for whoever measures (User Timing).
  // The next draft's photograph is fetched a little later, and held until it is
  // asked for: a picture that is there is shown with the page.
  let ahead = null;
  const shown = () => requestAnimationFrame(() => setTimeout(() => {
    performance.mark("shown");
    setTimeout(() => {
      if (!desk || !desk.dataset.ahead) return;
      ahead = new Image();
      ahead.src = desk.dataset.ahead;
      ahead.decode().catch(() => true);
    }, 400);
  }));
  addEventListener("load", shown);

  const settle = async () => {
    if (leaving) return;
    const button = $("#settle");
    if (!button) { if (await keep()) toast("Kept."); return; }
    if (+button.dataset.open > 0 && !armed) {
      armed = true;
      const n = +button.dataset.open;
      toast(`${n} ${n === 1 ? "doubt is" : "doubts are"} open. Press s again to settle as it stands.`);
      return;
    }
    // The form sends every value with it, so nothing typed can miss the boat;
    // entries of a notebook page are forms of their own.
    leaving = true;
    if (await keep() === false) {
      leaving = false;
      goTo(fields.find((f) => $(".wrong", f).textContent));
      return;
    }
    leaving = false;
    $("#fields").requestSubmit(button);
  };

  const take = async (n) => {
    const button = now && all(".candidates button", now)[n - 1];
    if (!button) return;
    input(now).value = button.value;
    armed = false;
    if (await keep()) say(`${now.getAttribute("aria-label")}: ${button.value}`);
  };

  const openBox = (q, focus) => {
    const box = $(q);
    if (!box) return;
    box.open = true;
    const el = $(focus, box);
    if (el) el.focus();
  };

  const deeds = {
    keys: showKeys, settle,
    look: () => {
      const looks = { writing: "words", words: "whole", whole: "writing" }, word = $(".looking");
      photo.look = looks[photo.look];
      if (word) word.textContent = photo.look[0].toUpperCase() + photo.look.slice(1);
      photo.follow();
    },
    nearer: () => photo.scale(1 / 1.5), farther: () => photo.scale(1.5),
    turn: () => photo.turn(), bright: () => photo.cycle(["bright", "dim", ""]), ink: () => photo.cycle(["ink", "ink2", ""]),
  };

  // What each page that comes needs, the first one too.
  const begin = () => {
    clearTimeout(photo.timer);
    place = document.body.dataset.place;
    rows = all(".row");
    desk = $(".desk");
    now = null;
    armed = false;
    Object.assign(photo, { svg: $("#photo"), look: "writing", turns: 0, view: null });
    if (desk) {
      let dragged = false, hold = null;
      fields = all(FIELD);
      fields.forEach((f) => {
        f.addEventListener("focusin", () => light(f));
        input(f).addEventListener("blur", () => keep());
      });
      // A click on words goes to their field; again, to the next with the same words.
      all("#photo .box").forEach((b) => b.addEventListener("click", () => {
        if (dragged) return;
        const here = all("#photo .box").filter((o) => o.getAttribute("points") === b.getAttribute("points")).map((o) => o.dataset.term);
        const their = fields.filter((f) => here.includes(f.dataset.term));
        goTo(their[(their.indexOf(now) + 1) % their.length]);
      }));
      all("#wording .words").forEach((w) => w.addEventListener("click", () => {
        const here = w.dataset.term.split(" ");
        const their = fields.filter((f) => here.includes(f.dataset.term));
        goTo(their[(their.indexOf(now) + 1) % their.length]);
      }));
      // Drag moves the photograph, the wheel brings it nearer where the pointer is.
      const svg = photo.svg;
      const unit = () => { const v = photo.view || photo.whole(), r = svg.getBoundingClientRect(); return Math.max(v[2] / r.width, v[3] / r.height); };
      if (svg) {
        svg.addEventListener("pointerdown", (e) => { if (e.pointerType === "mouse" && e.button === 0) { dragged = false; hold = [e.clientX, e.clientY]; } });
        svg.addEventListener("pointermove", (e) => {
          if (!hold) return;
          const dx = e.clientX - hold[0], dy = e.clientY - hold[1];
          if (!dragged && Math.abs(dx) + Math.abs(dy) < 5) return;
          dragged = true;
          svg.setPointerCapture(e.pointerId);
          svg.classList.add("held");
          const [x, y, w, h] = photo.view || photo.whole(), u = unit();
          photo.show([x - dx * u, y - dy * u, w, h], true);
          hold = [e.clientX, e.clientY];
        });
        for (const end of ["pointerup", "pointercancel"]) svg.addEventListener(end, () => { hold = null; svg.classList.remove("held"); });
        svg.addEventListener("wheel", (e) => {
          e.preventDefault();
          const [x, y, w, h] = photo.view || photo.whole(), whole = photo.whole(), r = svg.getBoundingClientRect();
          const nw = Math.min(whole[2] * 1.2, Math.max(whole[2] / 20, w * (e.deltaY > 0 ? 1.2 : 1 / 1.2))), by = nw / w;
          const u = unit(), px = x + w / 2 + (e.clientX - r.left - r.width / 2) * u, py = y + h / 2 + (e.clientY - r.top - r.height / 2) * u;
          photo.show([px - (px - x) * by, py - (py - y) * by, nw, h * by], true);
        }, { passive: false });
      }
      doubted();
      all(".candidates button").forEach((b) => b.addEventListener("click", (e) => {
        e.preventDefault();
        light(b.closest(".field"));
        take(all("button", b.closest(".candidates")).indexOf(b) + 1);
      }));
      const add = $("#add");
      if (add) add.addEventListener("change", () => {
        if (!add.value) return;
        const field = fields.find((f) => f.classList.contains("empty") && !$(".asread", f)) || fields[0];
        const copy = field.cloneNode(true), term = add.value;
        const words = add.selectedOptions[0].textContent;
        copy.id = `f-${term}`;
        copy.dataset.term = term;
        copy.className = "field empty bare";
        delete copy.dataset.start;
        copy.setAttribute("aria-label", words);
        $("label", copy).textContent = words;
        $("label", copy).htmlFor = `v-${term}`;
        $(".sure", copy).id = `s-${term}`;
        $(".sure", copy).replaceChildren();
        $(".more", copy).replaceChildren();
        Object.assign(input(copy), { id: `v-${term}`, name: `v.${term}`, value: "" });
        input(copy).dataset.was = "";
        input(copy).setAttribute("aria-describedby", `s-${term}`);
        $(".fields").append(copy);
        copy.addEventListener("focusin", () => light(copy));
        input(copy).addEventListener("blur", () => keep());
        fields.push(copy);
        add.selectedOptions[0].remove();
        input(copy).focus();
      });
      // A plain submit (Enter in a value) keeps; the settle button goes its way.
      const kept = (e) => { if (!e.submitter || e.submitter.id !== "settle") { e.preventDefault(); keep().then((ok) => { if (ok !== false) toast("Kept."); }); } };
      $("#fields").addEventListener("submit", kept);
      all(".entry").filter((form) => $(".noted", form)).forEach((form) => form.addEventListener("submit", kept));
      const settleButton = $("#settle");
      if (settleButton) settleButton.addEventListener("click", (e) => { e.preventDefault(); settle(); });
      const start = $("[data-start]") || fields[0];
      if (start) goTo(start);
      photo.follow(true);
    } else if (place === "choose") {
      const first = $(".choice input");
      if (first) first.focus();
    } else if (rows.length && (place === "queue" || place === "events")) {
      rows[0].focus({ preventScroll: true });
    }
    all("[data-do]").forEach((b) => { const deed = deeds[b.dataset.do]; if (deed && b.tagName === "BUTTON") b.addEventListener("click", deed); });
  };
  begin();

  // What leads from a draft to the next one goes there by `visit`.
  document.addEventListener("submit", (e) => {
    const form = e.target;
    if (e.defaultPrevented || form.method !== "post" || !form.matches(".desk form, .notice form")) return;
    e.preventDefault();
    // A button can have an address of its own.
    visit(e.submitter && e.submitter.hasAttribute("formaction") ? e.submitter.formAction : form.action, form, e.submitter);
  });
  document.addEventListener("click", (e) => {
    const link = e.target.closest("#next, #before");
    if (!link || e.defaultPrevented || e.button || e.ctrlKey || e.metaKey || e.shiftKey || e.altKey) return;
    e.preventDefault();
    visit(link.href);
  });

  document.addEventListener("keydown", (e) => {
    const el = document.activeElement;
    if (el && el.id === "text" && e.key === "Enter" && (e.ctrlKey || e.metaKey)) { e.preventDefault(); el.form.requestSubmit(); return; }
    if (e.isComposing || e.ctrlKey || e.metaKey || e.altKey || card.open) return;
    // What is pressed now is meant for the page that is on its way.
    if (leaving) { e.preventDefault(); return; }
    if (typing(el)) {
      const field = el.closest(FIELD);
      if (field && e.key === "Enter") { e.preventDefault(); keep().then((ok) => ok !== false && goTo(field)); }
      else if (field && e.key === "Escape") { el.value = el.dataset.was; $(".wrong", field).textContent = ""; goTo(field); }
      else if (!field && e.key === "Escape") { const box = el.closest("details"); if (box) { box.open = false; goTo(now); } else el.blur(); }
      else if (el.id === "why" && !el.value && /^[1-4]$/.test(e.key)) { e.preventDefault(); all("#aside form button")[+e.key - 1].click(); }
      else if (el.id === "notetext" && e.key === "Enter" && !e.shiftKey) { e.preventDefault(); el.form.requestSubmit(); }
      return;
    }
    const key = e.key;
    const done = () => e.preventDefault();
    if (key === "?") { done(); showKeys(); return; }
    const plain = key.length > 1;
    if (!plain && !single.checked) return;
    if (key === "/") { const q = $("#q"); if (q) { done(); q.focus(); q.select(); } else location.href = "/records"; return; }
    if (key === "d") { location.href = "/"; return; }
    if (key === "l") { location.href = "/records"; return; }
    if (key === "v") { location.href = "/events"; return; }
    if (key === "g") { location.href = "/places"; return; }
    if (key === "t" && place !== "choose") { done(); (desk ? keep() : Promise.resolve()).then(() => { location.href = "/type"; }); return; }
    if (key === "p") { location.href = "/progress"; return; }
    if (key === "o") { done(); keep().then(() => go(".offer")); return; }
    if (key === "u") { done(); const f = $("#undo") || $(".notice form"); if (f) keep().then(() => f.requestSubmit()); return; }
    if (place === "choose") {
      const boxes = all(".choice input");
      if (key === "ArrowDown" || key === "j") { done(); step(boxes, 1); }
      else if (key === "ArrowUp" || key === "k") { done(); step(boxes, -1); }
      else if (key === "t") { done(); const f = $("#choose"); if (f) f.requestSubmit(); }
      return;
    }
    if (!desk) {
      if (key === "ArrowDown" || key === "j") { done(); step(rows, 1); }
      else if (key === "ArrowUp" || key === "k") { done(); step(rows, -1); }
      else if (key === "e") go(".one header .button");
      return;
    }
    const at = fields.indexOf(now);
    if (key !== "s") armed = false;
    if (key === "ArrowDown" || key === "j") { done(); goTo(fields[Math.min(fields.length - 1, at + 1)]); }
    else if (key === "ArrowUp" || key === "k") { done(); goTo(fields[Math.max(0, at - 1)]); }
    else if (key === "e" || (key === "Enter" && el && el.matches(FIELD))) { if (now) { done(); input(now).focus(); input(now).select(); } }
    else if (key === "x" && now) { done(); input(now).value = ""; keep(); }
    else if (/^[1-9]$/.test(key)) { done(); take(+key); }
    else if (key === "s") { done(); settle(); }
    else if (key === "a") { done(); openBox("#aside", "#why"); }
    else if (key === "n") { done(); openBox("#note", "textarea"); }
    else if (key === "ArrowRight" || key === "]") { done(); keep().then(() => go("#next")); }
    else if (key === "ArrowLeft" || key === "[") { done(); keep().then(() => go("#before")); }
    else if (key === "z") deeds.look();
    else if (key === "+" || key === "=") deeds.nearer();
    else if (key === "-" || key === "−") deeds.farther();
    else if (key === "r") deeds.turn();
    else if (key === "b") deeds.bright();
    else if (key === "i") deeds.ink();
  });
})();
