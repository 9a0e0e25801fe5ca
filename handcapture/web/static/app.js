// What all pages share: sending forms and photos, following the session live, looking at pictures.

const notice = document.getElementById("notice");
let clearing = 0;

export function say(text, stays = false) {
  notice.textContent = text;
  clearTimeout(clearing);
  if (!stays) clearing = setTimeout(() => { notice.textContent = ""; }, 6000);
}

export async function post(url, body, headers = {}) {
  let response;
  try {
    response = await fetch(url, { method: "POST", body, headers: { Accept: "application/json", ...headers } });
  } catch {
    say(document.body.dataset.failed, true);
    return null;
  }
  let told = null;
  const text = await response.text();
  try { told = JSON.parse(text); } catch { told = { ok: false, message: text }; }
  if (!told.ok) say(told.message, true);
  return told.ok ? told : null;
}

// Forms

document.addEventListener("submit", async (event) => {
  const form = event.target;
  if (!form.matches("form[data-send]")) return;
  event.preventDefault();
  const button = event.submitter;
  const data = new URLSearchParams(new FormData(form, button ?? undefined));
  if (button) button.disabled = true;
  const told = await post(form.action, data);
  if (button) button.disabled = false;
  if (!told) return;
  notice.textContent = "";
  form.removeAttribute("data-changed");
  if (new URL(told.go, location.href).pathname === location.pathname) await refresh(true);
  else location.assign(told.go);
});
document.addEventListener("input", (event) => event.target.form?.setAttribute("data-changed", ""));

// What someone opened or shut stays so when its part of the page is made anew.
document.addEventListener("click", (event) => event.target.closest?.("summary")?.parentElement.setAttribute("data-touched", ""));

// Photos: one tap, and they are on their way.

const MOST_BYTES = 30_000_000;

for (const form of document.querySelectorAll("form[data-upload]")) {
  const bar = form.querySelector("progress");
  // Several of an album go one after the other; without scripts, a form carries one.
  form.querySelector("[data-several]").multiple = true;
  form.addEventListener("change", async (event) => {
    const files = [...event.target.files];
    const refused = [];
    for (const [k, file] of files.entries()) {
      bar.hidden = false;
      bar.value = (100 * k) / files.length;
      say(document.body.dataset.sending, true);
      verdict = null;
      const part = (share) => { bar.value = (100 * (k + share)) / files.length; };
      const told = file.size > MOST_BYTES ? document.body.dataset.tooLarge : await upload(form.action, file, part);
      if (told) refused.push(files.length > 1 ? `${file.name}: ${told}` : told);
      else refresh();
    }
    bar.hidden = true;
    event.target.value = "";
    if (refused.length) refuse(refused.join(" "));
    else notice.textContent = "";
  });
}

// Send one photo; the answer is what is wrong with it, nothing where it was taken.
function upload(address, file, part) {
  const data = new FormData();
  data.append("photo", file, "photo");
  const request = new XMLHttpRequest();
  request.open("POST", address);
  request.setRequestHeader("Accept", "application/json");
  request.upload.addEventListener("progress", (at) => { if (at.lengthComputable) part(at.loaded / at.total); });
  return new Promise((answer) => {
    request.addEventListener("loadend", () => {
      let told = null;
      try { told = JSON.parse(request.responseText); } catch { told = null; }
      answer(told?.ok ? "" : told?.message || request.responseText || document.body.dataset.failed);
    });
    request.send(data);
  });
}

// What is refused takes the place of the verdict on the photo before: on a phone that is what one looks at.
function refuse(text) {
  say(text, true);
  verdict = { grade: "poor", word: document.body.dataset.refused, say: text, purpose: location.pathname.endsWith("/check") ? "check" : "rest", fresh: true };
  showVerdict();
}

// The verdict comes ahead of everything else that is made of a photo.

let verdict = null;

function showVerdict() {
  const now = document.getElementById("now");
  const part = document.getElementById("verdict");
  if (!verdict || !now || !location.pathname.endsWith(verdict.purpose === "check" ? "/check" : "/photos")) return;
  if (part && !part.matches(".waiting, .working") && !verdict.fresh) { verdict = null; return; }
  verdict.fresh = false;
  const shown = part ?? document.createElement("div");
  if (!part) { shown.id = "verdict"; shown.setAttribute("role", "status"); now.prepend(shown); }
  shown.className = `verdict ${verdict.grade}`;
  const [word, sentence] = ["word", "say"].map((name) => {
    const line = document.createElement("p");
    line.className = name;
    line.textContent = verdict[name];
    return line;
  });
  shown.replaceChildren(word, sentence);
}

// Live: when the session has changed, the parts of the page that show it are fetched again.

let fetching = false;
let again = false;

export async function refresh(all = false) {
  document.dispatchEvent(new CustomEvent("session-changed"));
  if (fetching) { again = true; return; }
  fetching = true;
  try {
    const response = await fetch(location.href, { headers: { Accept: "text/html" } });
    if (response.ok) {
      const page = new DOMParser().parseFromString(await response.text(), "text/html");
      for (const part of document.querySelectorAll("[data-live]")) replace(part, page.getElementById(part.id), all);
    }
  } catch { /* the stream tells that the computer does not answer */ }
  fetching = false;
  if (again) { again = false; refresh(); }
}

function replace(part, fresh, all) {
  if (!fresh || fresh.innerHTML === part.dataset.was) return;
  // What someone is filling in is not taken from under their hands.
  if (!all && part.querySelector("form[data-changed]")) return;
  const focused = part.contains(document.activeElement) ? document.activeElement : null;
  const key = focused && (focused.id ? `#${CSS.escape(focused.id)}` : pathOf(focused, part));
  const open = new Map([...part.querySelectorAll("details[data-touched]")].map((d) => [d.id, d.open]));
  const html = fresh.innerHTML;
  part.replaceChildren(...document.importNode(fresh, true).childNodes);
  part.dataset.was = html;
  for (const [id, was] of open) {
    const details = document.getElementById(id);
    if (details) { details.open = was; details.dataset.touched = ""; }
  }
  if (key) part.querySelector(key)?.focus({ preventScroll: true });
  prepare(part);
  if (part.id === "now") showVerdict();
  document.dispatchEvent(new CustomEvent("part-replaced"));
}

function pathOf(element, top) {
  const steps = [];
  for (let e = element; e !== top; e = e.parentElement) {
    steps.unshift(`${e.localName}:nth-child(${[...e.parentElement.children].indexOf(e) + 1})`);
  }
  return steps.join(">");
}

if (document.body.dataset.events) {
  const stream = new EventSource(document.body.dataset.events);
  let lost = 0;
  let was = false;
  stream.addEventListener("hello", () => {
    clearTimeout(lost);
    if (was) { was = false; notice.textContent = ""; }
    // What changed before the stream was there, or while it was not, was not heard.
    refresh();
  });
  stream.addEventListener("changed", () => refresh());
  stream.addEventListener("verdict", (event) => { verdict = { ...JSON.parse(event.data), fresh: true }; showVerdict(); });
  stream.addEventListener("error", () => {
    clearTimeout(lost);
    lost = setTimeout(() => { was = true; say(document.body.dataset.offline, true); }, 2500);
    if (stream.readyState === EventSource.CLOSED) setTimeout(() => location.reload(), 15000);
  });
  addEventListener("pagehide", () => stream.close());
}

// Pictures: larger and smaller by button, by pinch, by wheel with Ctrl; moved by scrolling.

function prepare(part) {
  for (const zoom of part.querySelectorAll("[data-zoom]")) {
    if (zoom.dataset.ready) continue;
    zoom.dataset.ready = "1";
    const box = zoom.querySelector(".zoom-box");
    const picture = box.querySelector("img");
    let size = 1;
    const set = (value, x = box.clientWidth / 2, y = box.clientHeight / 2) => {
      const next = Math.min(8, Math.max(1, value));
      const left = ((box.scrollLeft + x) * next) / size - x;
      const top = ((box.scrollTop + y) * next) / size - y;
      size = next;
      picture.style.width = `${100 * size}%`;
      box.scrollTo(left, top);
    };
    zoom.querySelector("[data-in]").addEventListener("click", () => set(size * 1.5));
    zoom.querySelector("[data-out]").addEventListener("click", () => set(size / 1.5));
    box.addEventListener("wheel", (event) => {
      if (!event.ctrlKey) return;
      event.preventDefault();
      const at = box.getBoundingClientRect();
      set(size * Math.exp(-event.deltaY / 200), event.clientX - at.left, event.clientY - at.top);
    }, { passive: false });
    const fingers = new Map();
    let apart = 0;
    const gap = () => { const [a, b] = [...fingers.values()]; return Math.hypot(a.x - b.x, a.y - b.y); };
    box.addEventListener("touchmove", (event) => { if (event.touches.length > 1) event.preventDefault(); }, { passive: false });
    box.addEventListener("pointerdown", (event) => {
      fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
      if (fingers.size === 2) apart = gap();
    });
    box.addEventListener("pointermove", (event) => {
      if (!fingers.has(event.pointerId)) return;
      fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
      if (fingers.size !== 2 || !apart) return;
      const [a, b] = [...fingers.values()];
      const at = box.getBoundingClientRect();
      const now = gap();
      set((size * now) / apart, (a.x + b.x) / 2 - at.left, (a.y + b.y) / 2 - at.top);
      apart = now;
    });
    for (const name of ["pointerup", "pointercancel", "pointerleave"]) box.addEventListener(name, (event) => fingers.delete(event.pointerId));
  }
}
prepare(document);
for (const part of document.querySelectorAll("[data-live]")) part.dataset.was = part.innerHTML;

for (const code of document.querySelectorAll("img[data-refresh]")) {
  setInterval(() => { code.src = `/pairing.svg?${Date.now()}`; }, 1000 * Number(code.dataset.refresh));
}
