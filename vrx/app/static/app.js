// The core of every page: forms by fetch, patches, progress, keys. No dependency, no inline code.

const SVG = "http://www.w3.org/2000/svg";
const body = document.body;
const sums = JSON.parse(body.dataset.sums || "{}");
let sending = 0;
let polling = false;
const listeners = new Set();

/** Call `run(ids)` after parts were replaced. */
export function onPatch(run) { listeners.add(run); }

export function say(words) {
  const live = document.getElementById("live");
  if (!live || !words) return;
  live.textContent = "";
  // a screen reader tells the same words again only if they are new
  requestAnimationFrame(() => { live.textContent = words; });
}

/** State hash of the plan that this page shows; forms send it as `on`. */
export function state() { return body.dataset.on; }
export function token() { return body.dataset.token; }

function parsePart(html, old, home) {
  // an <svg> itself parses as HTML; what stands inside one needs its namespace
  const svg = old ? old.namespaceURI === SVG : home.namespaceURI === SVG;
  if (svg && !(old && old.tagName.toLowerCase() === "svg")) {
    const doc = new DOMParser().parseFromString(
      `<svg xmlns="${SVG}">${html}</svg>`, "image/svg+xml");
    if (doc.querySelector("parsererror")) return null;
    return document.importNode(doc.documentElement.firstElementChild, true);
  }
  const box = document.createElement("template");
  box.innerHTML = html.trim();
  return box.content.firstElementChild;
}

function typedValues(root) {
  const kept = new Map();
  for (const one of root.querySelectorAll("input, select, textarea")) {
    if (one.id && one.dataset.changed === "yes" && one.type !== "file") kept.set(one.id, one);
  }
  return kept;
}

function keepTyped(fresh, kept) {
  for (const [id, old] of kept) {
    const one = fresh.querySelector(`#${CSS.escape(id)}`);
    if (!one || one.type === "hidden") continue;
    if (one.type === "checkbox" || one.type === "radio") one.checked = old.checked;
    else one.value = old.value;
    one.dataset.changed = "yes";
  }
}

function openOnes(root) {
  return [...root.querySelectorAll("details[id][open]")].map((one) => one.id);
}

/** Replace the parts of an answer; focus, selection, scroll and open details stay. */
export function patch(told, { keep = false } = {}) {
  if (told.on) {
    body.dataset.on = told.on;
    for (const one of document.querySelectorAll('input[name="on"]')) one.value = told.on;
  }
  const active = document.activeElement;
  const focusId = active && active.id;
  const range = focusId && "selectionStart" in active && typeof active.selectionStart === "number"
    ? [active.selectionStart, active.selectionEnd] : null;
  const across = scrollX, down = scrollY;
  const ids = [];
  for (const id of told.gone || []) {
    document.getElementById(id)?.remove();
    delete sums[id];
    ids.push(id);
  }
  for (const [id, part] of Object.entries(told.parts || {})) {
    const old = document.getElementById(id);
    const home = old || (part.into && document.getElementById(part.into));
    const fresh = home && parsePart(part.html, old, home);
    if (!fresh) { if (part.into === undefined && !old) sums[id] = part.sum; continue; }
    if (old) {
      const kept = keep || old.contains(active) ? typedValues(old) : new Map();
      const open = openOnes(old);
      old.replaceWith(fresh);
      for (const one of open) document.getElementById(one)?.setAttribute("open", "");
      keepTyped(fresh, kept);
    } else {
      home.append(fresh);
    }
    sums[id] = part.sum;
    ids.push(id);
  }
  if (focusId && document.activeElement !== active) {
    const one = document.getElementById(focusId);
    if (one) {
      one.focus({ preventScroll: true });
      if (range) { try { one.setSelectionRange(...range); } catch { /* not a text control */ } }
    }
  }
  scrollTo(across, down);
  for (const run of listeners) run(ids);
  watchWork();
}

function clearMarks() {
  for (const one of document.querySelectorAll(".beside-trouble")) one.remove();
  for (const one of document.querySelectorAll('[aria-invalid="true"]')) {
    one.removeAttribute("aria-invalid");
    if (one.dataset.told) one.setAttribute("aria-describedby", one.dataset.told);
    else one.removeAttribute("aria-describedby");
  }
}

function paragraph(text, kind) {
  const one = document.createElement("p");
  one.textContent = text;
  if (kind) one.className = kind;
  return one;
}

function link(code) {
  const one = document.createElement("a");
  one.href = `/code/${encodeURIComponent(code)}`;
  one.target = "_blank";
  one.rel = "noopener";
  one.textContent = "What this means";
  return one;
}

/** Tell an error: beside the control it names, else in the trouble region. */
export function showTrouble(trouble, form = null) {
  clearMarks();
  const control = trouble.where && form
    ? [...form.elements].find((one) => one.type !== "hidden"
      && [trouble.where, `${trouble.where}:top`].includes(one.name)) : null;
  const box = document.createElement("div");
  box.append(paragraph(trouble.message, "said"));
  if (trouble.hint) box.append(paragraph(trouble.hint));
  for (const one of trouble.findings || []) box.append(paragraph(one.line));
  if (trouble.code) box.append(link(trouble.code));
  if (control) {
    const folded = control.closest("details");
    if (folded) folded.open = true;
    box.className = "beside-trouble";
    box.id = "beside-trouble";
    const at = control.closest("fieldset[role=radiogroup]") || control.closest("label") || control;
    at.after(box);
    control.setAttribute("aria-invalid", "true");
    control.dataset.told = control.getAttribute("aria-describedby") || "";
    control.setAttribute("aria-describedby", `${box.id} ${control.dataset.told}`.trim());
    control.focus();
  } else {
    const region = document.getElementById("trouble");
    if (!region) return;
    if (trouble.where) box.prepend(paragraph(trouble.where, "where"));
    const title = document.createElement("h2");
    title.textContent = "This did not work";
    region.replaceChildren(title, box);
    region.hidden = false;
    region.tabIndex = -1;
    delete sums.trouble;
    region.focus();
  }
  say(trouble.message);
}

function busy(form, on) {
  form.setAttribute("aria-busy", on ? "true" : "false");
  for (const one of form.querySelectorAll("button")) one.disabled = on;
}

/** Send a form (or fields to a path) and take in the answer. Gives the answer. */
export async function send(path, fields, form = null) {
  const data = fields instanceof FormData ? fields : new FormData();
  if (!(fields instanceof FormData)) {
    data.set("token", token());
    data.set("on", state());
    for (const [name, value] of Object.entries(fields)) data.set(name, value);
  }
  sending += 1;
  if (form) busy(form, true);
  let answer, told;
  try {
    answer = await fetch(path, {
      method: "POST", body: data, headers: { "X-Vrx-Parts": JSON.stringify(sums) },
    });
    told = answer.headers.get("content-type")?.includes("json") ? await answer.json() : null;
  } catch {
    told = null;
  } finally {
    sending -= 1;
    if (form) busy(form, false);
  }
  if (!told) {
    showTrouble({ message: "The app does not answer.", code: "", where: "",
      hint: "Is it still running in its terminal? Start it again with vrx app; nothing is lost." });
    return null;
  }
  if (told.trouble) { showTrouble(told.trouble, form); return told; }
  clearMarks();
  if (answer.status === 200 && form) saved(form, data);
  if (told.go) {
    leaving = true;
    location.assign(told.go);
    return told;
  }
  if (told.parts) patch(told, { keep: answer.status === 409 });
  say(told.said);
  if (answer.status === 409 && told.said) tellMoved(told.said);
  if (wantsAnother(told)) again();
  return told;
}

function tellMoved(words) {
  const region = document.getElementById("trouble");
  if (!region) return;
  const title = document.createElement("h2");
  title.textContent = "Changed meanwhile";
  region.replaceChildren(title, paragraph(words));
  region.hidden = false;
}

/** Ask for what changed since, as after long work or in a second window. */
export async function refresh() {
  const answer = await fetch(`${location.pathname}?parts=1`, {
    headers: { "X-Vrx-Parts": JSON.stringify(sums) },
  }).catch(() => null);
  if (!answer || !answer.ok) return null;
  const told = await answer.json();
  if (wantsAnother(told)) { again(); return told; }
  patch(told, { keep: true });
  return told;
}

/** Whether the page is of another kind now (waiting, stopped, whole), and nothing typed is lost. */
function wantsAnother(told) {
  const whole = body.dataset.ready === "yes";
  return (told.ready || told.blocked) && told.ready !== whole
    && !document.querySelector('[data-changed="yes"]');
}

let leaving = false;
function again() { leaving = true; location.reload(); }

// ---- forms

// by attribute: a control called "method" or "id" stands in the way of the form's own
const posted = (form) => form?.getAttribute("method") === "post";

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (!(form instanceof HTMLFormElement) || !posted(form)) return;
  if (form.hasAttribute("data-plain")) return;
  event.preventDefault();
  if (form.getAttribute("aria-busy") === "true") {
    // a choice made while the one before is under way is sent after it
    if (form.hasAttribute("data-at-once")) form.dataset.again = "yes";
    return;
  }
  const data = new FormData(form, event.submitter);
  send(form.getAttribute("action"), data, form).finally(() => {
    if (form.dataset.again !== "yes") return;
    delete form.dataset.again;
    const now = form.isConnected ? form
      : document.getElementById(form.getAttribute("id"));
    if (now) now.requestSubmit();
  });
});

document.addEventListener("input", (event) => {
  const one = event.target;
  if (posted(one.form) && one.type !== "hidden") one.dataset.changed = "yes";
});

document.addEventListener("change", (event) => {
  const one = event.target;
  const form = one.form;
  if (form && form.hasAttribute("data-at-once")) form.requestSubmit();
});

// what was chosen or typed while the answer was awaited is not saved yet
function saved(form, sent) {
  for (const one of form.elements) {
    const ticked = one.type === "checkbox" || one.type === "radio";
    const same = ticked ? sent.getAll(one.name).includes(one.value) === one.checked
      : sent.getAll(one.name).includes(one.value);
    if (same || !one.name) delete one.dataset.changed;
  }
}

addEventListener("beforeunload", (event) => {
  if (leaving && sending === 0) return;
  if (document.querySelector('[data-changed="yes"]')) event.preventDefault();
});

// ---- files dropped onto the page

const drop = document.querySelector("[data-drop]");
if (drop) {
  const input = drop.querySelector('input[type="file"]');
  let depth = 0;
  addEventListener("dragenter", () => { depth += 1; drop.classList.add("over"); });
  addEventListener("dragleave", () => {
    depth -= 1;
    if (depth <= 0) drop.classList.remove("over");
  });
  addEventListener("dragover", (event) => event.preventDefault());
  addEventListener("drop", (event) => {
    event.preventDefault();
    depth = 0;
    drop.classList.remove("over");
    if (!event.dataTransfer.files.length) return;
    input.files = event.dataTransfer.files;
    drop.requestSubmit();
  });
}

// ---- long work

async function watchWork() {
  if (polling || !document.querySelector("#work [data-work]")) return;
  polling = true;
  try {
    for (;;) {
      await new Promise((done) => { setTimeout(done, 300); });
      const answer = await fetch("/task").catch(() => null);
      if (!answer || !answer.ok) {
        showTrouble({ message: "The app does not answer.", where: "", code: "",
          hint: "Is it still running in its terminal? Nothing of the plan is lost." });
        return;
      }
      const told = await answer.json();
      const words = document.getElementById("work-words");
      if (words && told.words && words.textContent !== told.words) words.textContent = told.words;
      const seconds = document.getElementById("work-seconds");
      if (seconds) seconds.textContent = `${told.seconds} s`;
      if (!told.running) break;
    }
    polling = false;
    await refresh();
  } finally {
    polling = false;
  }
}

document.addEventListener("click", async (event) => {
  const button = event.target.closest?.("[data-cancel]");
  if (!button) return;
  event.preventDefault();
  const told = await send("/task/cancel", { back: location.pathname });
  if (told) refresh();
});

// ---- a second window, or the command line

document.addEventListener("visibilitychange", () => {
  if (document.visibilityState === "visible" && !polling && sending === 0) refresh();
});

// ---- keys

function typing(target) {
  return target.closest?.("input, select, textarea, [contenteditable]") !== null
    && !["checkbox", "radio", "button"].includes(target.type);
}

const help = document.getElementById("keys");
addEventListener("keydown", (event) => {
  if (event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey) return;
  if (typing(event.target)) return;
  if (event.key === "?" && help) {
    event.preventDefault();
    if (help.open) help.close(); else help.showModal();
    return;
  }
  if (help?.open) return;
  if (/^[1-9]$/.test(event.key) && !event.target.closest?.("[data-map]")) {
    const to = document.querySelectorAll("#steps a")[Number(event.key) - 1];
    if (to) { event.preventDefault(); to.click(); }
  }
});
document.querySelector("[data-keys]")?.addEventListener("click", () => help?.showModal());

watchWork();
