// The page: joins, listens, shows, speaks, and hands in taps.
//
// Enters: the stream of events. Leaves: the sentence, the hill, voice and tone; orders to the
// listener. When the stream is lost it tries again by itself, and says meanwhile that the numbers
// are old.

import { stayAwake } from "./awake.js";
import { Hill } from "./hill.js";
import { Pad } from "./pad.js";
import { Tone, Voice } from "./voice.js";

// A beat comes twice a second; after so long without one the listener is not there.
const LOST_MS = 3000, AGAIN_MS = 1500;
// A slow idle has a cycle every quarter of a second.
const OLD_S = 2.0;
// A longer sentence is set smaller, so that the hill keeps its room.
const LONG = 64;

const words = JSON.parse(document.getElementById("words").textContent);
const get = (id) => document.getElementById(id);
const say = (template, values) => template.replace(/\{(\w+)\}/g, (_, name) => values[name]);

const hill = new Hill(get("hill"), words, say);
const voice = new Voice(document.documentElement.lang);
const tone = new Tone();
const pad = new Pad({ words, say, hand, order, tell: (text) => voice.tell(text) });
const state = {
  control: false, view: null, live: null, run: null, lastMs: 0, source: null,
  awake: null, note: 0,
};

// Joining ------------------------------------------------------------------------------------

async function join() {
  const token = decodeURIComponent(location.hash.slice(1));
  if (!token) return;
  history.replaceState(null, "", "/");
  try {
    await order("/join", { token });
  } catch {
    // Said by connect(), if there is no cookie of an earlier time either.
  }
}

async function order(path, body) {
  const answer = await fetch(path, {
    method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body),
  });
  if (!answer.ok) throw new Error(await answer.text());
  return answer;
}

async function connect() {
  clearTimeout(state.retry);
  let answer;
  try {
    answer = await fetch("/me");
  } catch {
    lost();
    state.retry = setTimeout(connect, AGAIN_MS);
    return;
  }
  if (answer.status === 401) {
    banner(words.not_invited, "uninvited");
    state.retry = setTimeout(connect, 4 * AGAIN_MS);
    return;
  }
  listen();
}

function listen() {
  if (state.source) return;
  const source = new EventSource("/events");
  state.source = source;
  state.lastMs = performance.now();
  const on = (kind, take) => source.addEventListener(kind, (event) => {
    state.lastMs = performance.now();
    take(JSON.parse(event.data));
  });
  on("you", onYou);
  on("hello", onHello);
  on("view", onView);
  on("live", onLive);
  on("note", onNote);
  on("beat", onBeat);
}

function lost() {
  banner(words.lost_listener, "listener");
  voice.hush();
  tone.rest();
}

setInterval(() => {
  if (!state.source || performance.now() - state.lastMs < LOST_MS) return;
  state.source.close();
  state.source = null;
  lost();
  connect();
}, 500);

/** Say plainly what is the matter; an empty text takes it away. */
function banner(text, stale) {
  const box = get("banner");
  if (box.textContent !== text) box.textContent = text;
  box.hidden = !text;
  if (stale) document.body.dataset.stale = stale;
  else delete document.body.dataset.stale;
}

// What is heard ------------------------------------------------------------------------------

function onYou(you) {
  state.control = you.control;
  get("taps").hidden = !you.control;
  get("looking").hidden = you.control;
  for (const each of document.querySelectorAll(".order")) each.hidden = !you.control;
}

function onHello(hello) {
  if (state.run !== null && state.run !== hello.run) {
    voice.restart();
    state.view = state.live = null;
  }
  state.run = hello.run;
  hill.unit = { name: hello.unit, perKpa: hello.per_kpa };
  document.title = hello.name ? `${hello.name} – vaclog` : "vaclog";
}

function onLive(live) {
  state.live = live;
  document.body.dataset.cycles = live.cycles;
  document.body.dataset.atUs = live.at_us;
  hill.setLive(live);
  tone.follow(live.kpa);
  if (!state.view || !state.view.say) showKnown();
}

function onBeat(beat) {
  if (beat.age_s !== null && beat.age_s > OLD_S) {
    banner(say(words.lost_engine, { s: Math.round(beat.age_s) }), "engine");
    tone.rest();
  } else {
    banner("", null);
    tone.wake();
  }
}

function onNote(note) {
  const box = get("note");
  box.textContent = note.text;
  box.hidden = false;
  state.note = note.n;
  clearTimeout(state.noteTimer);
  state.noteTimer = setTimeout(() => { box.hidden = true; }, 20000);
}

function onView(view) {
  state.view = view;
  hill.setView(view);
  showSaid(view.say);
  showKnown();
  showTaps(view);
  document.body.dataset.stage = view.stage;
}

function showSaid(said) {
  if (!said) return;
  const told = said.instruction;
  get("shown").textContent = said.shown;
  get("shown").classList.toggle("long", said.shown.length > LONG);
  get("reason").textContent = said.reason;
  Object.assign(document.body.dataset, {
    number: told.number, step: told.step, because: told.because, way: told.way,
    toGoDeg: told.to_go_deg ?? "", targetDeg: told.target_deg ?? "", movedDeg: told.moved_deg ?? "",
  });
  const turn = get("turn");
  // After the lock nothing is to be turned: the way home is told in words alone.
  turn.toggleAttribute("hidden", !told.way || told.step === "locked");
  turn.classList.remove("counterclockwise", "straight", "less");
  if (told.turn_way === "counterclockwise") turn.classList.add("counterclockwise");
  if (told.turn_way === null) turn.classList.add("straight");
  if (told.turn_way === null && told.way < 0) turn.classList.add("less");
  // How long it is worth saying counts in the engine's time.
  const now = state.live ? Math.max(state.live.at_us, state.view.at_us) : state.view.at_us;
  const leftMs = (told.at_us + told.valid_us - now) / 1000;
  if (leftMs > 0) {
    voice.offer({
      number: told.number, urgency: told.urgency, text: said.said,
      untilMs: performance.now() + leftMs,
    });
  }
}

/** What is known so far, in one line. */
function showKnown() {
  const view = state.view || {}, live = state.live || {}, known = [];
  if (!(view.curve_deg || []).length) {
    known.push(typeof live.deg === "number" ? words.no_hill_angle : words.no_hill);
    if (live.cycles) known.push(say(words.known_cycles, { n: live.cycles }));
    if (live.cycles && typeof live.deg !== "number") known.push(words.known_no_deg);
    if (typeof view.home_deg === "number") {
      known.push(say(words.known_home, { deg: view.home_deg.toFixed(1) }));
    }
  } else {
    if (!view.top_found) known.push(words.top_open);
    if (view.passes) known.push(say(words.pass, { n: view.passes }));
    if (view.misfires) known.push(say(words.stumbles, { n: view.misfires }));
  }
  get("known").textContent = known.join(" · ");
}

// What is said back --------------------------------------------------------------------------

function showTaps(view) {
  const wanted = view.stage === "stopped" ? "go_on" : view.say && view.say.instruction.waits_for;
  for (const each of document.querySelectorAll("#taps .main")) {
    each.hidden = each.dataset.tap !== wanted;
  }
  pad.expect(view);
  pad.show(state.control);
}

async function hand(body) {
  if (navigator.vibrate) navigator.vibrate(30);
  try {
    await order("/say", body);
    return true;
  } catch (error) {
    onNote({ n: -1, text: say(words.said_no, { why: error.message }) });
    return false;
  }
}

for (const each of document.querySelectorAll("[data-tap]")) {
  each.addEventListener("click", () => hand({ kind: "tap", text: each.dataset.tap }));
}
get("marker").addEventListener("click", () => hand({ kind: "marker" }));
get("ask").addEventListener("click", () => { fold(); pad.open(); pad.show(state.control); });
get("type").addEventListener("click", () => { fold(); pad.type(); });
get("more").addEventListener("click", () => fold(get("sheet").hidden));

function fold(open = false) {
  get("sheet").hidden = !open;
  get("more").setAttribute("aria-expanded", String(open));
}

get("voice").addEventListener("click", (event) => {
  voice.on = !voice.on;
  if (!voice.on) voice.hush();
  event.currentTarget.setAttribute("aria-pressed", String(voice.on));
});
get("tone").addEventListener("click", (event) => {
  event.currentTarget.setAttribute("aria-pressed", String(tone.toggle()));
});
for (const id of ["invite_watch", "invite_control"]) {
  get(id).addEventListener("click", async () => {
    const answer = await order("/invite", { control: id === "invite_control" });
    const { address, svg } = await answer.json();
    const box = get("invitation");
    box.querySelector("img").src = svg;
    box.querySelector("p").textContent = address;
    box.showModal();
  });
}
get("invitation").querySelector("button").addEventListener("click", () => get("invitation").close());

/** The first tap, wherever it is, lets the page speak and keep the screen on. */
async function begin() {
  document.removeEventListener("click", begin, true);
  get("sound").hidden = true;
  voice.unlock();
  if (!voice.can) onNote({ n: -1, text: words.voice_no });
  state.awake = await stayAwake();
  document.body.dataset.awake = state.awake;
  if (state.awake !== "lock") onNote({ n: -1, text: words.awake_no });
}
document.addEventListener("click", begin, true);

get("looking").hidden = true;
await join();
connect();
// An invitation opened in the same tab only changes what stands behind the "#".
addEventListener("hashchange", async () => {
  await join();
  if (!state.source) connect();
});
