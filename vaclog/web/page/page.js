// The page: joins, listens, shows, speaks, and hands in taps.
//
// Enters: the stream of events. Leaves: the sentence, the hill, voice and tone; orders to the
// listener. When the stream is lost it tries again by itself, and says meanwhile that the numbers
// are old.

import { stayAwake } from "./awake.js";
import { Hill } from "./hill.js";
import { Pad } from "./pad.js";
import { Sentence } from "./sentence.js";
import { Tone } from "./tone.js";
import { Voice } from "./voice.js";

// A beat comes twice a second; after so long without one the listener is not there.
const LOST_MS = 3000, AGAIN_MS = 1500;
// A slow idle has a cycle every quarter of a second.
const OLD_S = 2.0;
const NOTE_MS = 20000;

const words = JSON.parse(document.getElementById("words").textContent);
const get = (id) => document.getElementById(id);
const say = (template, values) => template.replace(/\{(\w+)\}/g, (_, name) => values[name]);

const hill = new Hill(get("hill"), words, say);
const sentence = new Sentence({ words, say });
const voice = new Voice(document.documentElement.lang, {
  onMute: () => onNote({ text: words.voice_no }),
  onSpeaking: (isSpeaking) => tone.duck(isSpeaking),
});
const tone = new Tone();
const pad = new Pad({ words, say, hand, order, tell: (text) => voice.tell(text) });
const state = {
  control: false, view: null, live: null, run: null, lastMs: 0, source: null, notes: [],
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

/** What was to be done may be wrong by now; a verdict at the end stays true. */
function lost() {
  banner(words.lost_listener, "listener");
  if (!state.view || state.view.stage !== "done") sentence.wait(words.lost_wait);
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
  if ((document.body.dataset.stale ?? null) === stale) return;
  if (stale) document.body.dataset.stale = stale;
  else delete document.body.dataset.stale;
  // Read out once for each fault: its seconds count on every half second.
  get("alert").textContent = text;
  hill.ball?.roll(state.live);
}

// What is heard ------------------------------------------------------------------------------

function onYou(you) {
  banner("", null);
  state.control = you.control;
  get("taps").hidden = !you.control;
  get("looking").hidden = you.control;
  for (const each of document.querySelectorAll(".order")) each.hidden = !you.control;
}

function onHello(hello) {
  if (state.run !== null && state.run !== hello.run) {
    voice.restart();
    tone.middleKpa = null;
    state.view = state.live = null;
    hill.restart();
  }
  if (!state.view) sentence.wait();
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
  const { view } = state;
  if (!view || !(view.curve_deg || []).length) showKnown();
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

/** What should be known now, for a while; two at once at most. */
function onNote({ text }) {
  state.notes = [...state.notes.filter((each) => each !== text), text].slice(-2);
  showNotes();
  setTimeout(() => {
    state.notes = state.notes.filter((each) => each !== text);
    showNotes();
  }, NOTE_MS);
}

function showNotes() {
  get("note").textContent = state.notes.join(" ");
  get("note").hidden = !state.notes.length;
}

function onView(view) {
  state.view = view;
  hill.setView(view);
  if (view.say) {
    sentence.show(view.say);
    speak(view.say);
  }
  showKnown();
  showTaps(view);
  document.body.dataset.stage = view.stage;
}

/** How long it is worth saying counts in the engine's time. */
function speak({ said, instruction }) {
  const now = Math.max(state.live ? state.live.at_us : 0, state.view.at_us);
  const leftMs = (instruction.at_us + instruction.valid_us - now) / 1000;
  if (leftMs <= 0) return;
  voice.offer({
    number: instruction.number, urgency: instruction.urgency, text: said,
    untilMs: performance.now() + leftMs,
  });
}

function showKnown() { sentence.known(state.view, state.live, hill.unit); }

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
    sayNo(error);
    return false;
  }
}

/** A refusal has its reason; without an answer there is nobody. */
function sayNo(error) {
  const why = error instanceof TypeError ? words.no_answer : error.message;
  onNote({ text: say(words.said_no, { why }) });
}

for (const each of document.querySelectorAll("[data-tap]")) {
  each.addEventListener("click", () => hand({ kind: "tap", text: each.dataset.tap }));
}
get("marker").addEventListener("click", () => hand({ kind: "marker" }));
get("ask").addEventListener("click", () => { fold(); pad.open(); pad.show(state.control); });
get("type").addEventListener("click", () => { fold(); pad.type(); });
get("more").addEventListener("click", () => fold(get("sheet").hidden));

/** All that is seldom wanted; while it is open it has the keys' place. */
function fold(open = false) {
  get("sheet").hidden = !open;
  get("more").setAttribute("aria-expanded", String(open));
  document.body.toggleAttribute("data-more", open);
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
    let answer;
    try {
      answer = await order("/invite", { control: id === "invite_control" });
    } catch (error) {
      sayNo(error);
      return;
    }
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
  const awake = await stayAwake();
  document.body.dataset.awake = awake;
  if (awake !== "lock") onNote({ text: words.awake_no });
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
