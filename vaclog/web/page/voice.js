// Voice: one sentence at a time, the most urgent first, never a stale one.
//
// Enters: instructions with their urgency and how long they are worth saying. Leaves: speech.
// Browsers let none begin before the first tap, and some have no voice at all: then `onMute` is
// called once, and the sentence stands on the page as ever. `onSpeaking` tells when one is being said.

// Between the beginnings of two sentences, in milliseconds: more is chatter. A warning may cut in.
const LEAST_GAP_MS = 1500, SOON = 2;
// What was overtaken by a newer sentence and still waits after so long is not said any more.
const OVERTAKEN_MS = 3000;
// No sentence of the guidance takes so long: the browser has lost it (a known fault of some).
const STUCK_MS = 15000;

export class Voice {
  constructor(language, { onMute = () => {}, onSpeaking = () => {} } = {}) {
    this.language = language;
    this.onMute = onMute;
    this.onSpeaking = onSpeaking;
    this.on = true;
    this.unlocked = false;
    this.isMute = false;
    this.waiting = [];
    this.newest = null;
    this.lastNumber = 0;
    this.lastMs = -Infinity;
    this.urgency = -1;
    this.now = () => performance.now();
    setInterval(() => this.work(), 100);
  }

  get can() { return "speechSynthesis" in window && "SpeechSynthesisUtterance" in window; }

  /** Called within the first tap: only then may a browser speak. */
  unlock() {
    this.unlocked = true;
    if (!this.can) this.mute();
    else speechSynthesis.resume();
    this.work();
  }

  /**
   * Offer a sentence: { number, urgency, text, untilMs }. It takes the place of all that wait and
   * are not more urgent; what is more urgent is said before it, if it is soon.
   */
  offer(sentence) {
    if (sentence.number <= this.lastNumber) return;
    this.waiting = this.waiting.filter((each) => each.urgency > sentence.urgency);
    this.newest = { ...sentence, offeredMs: this.now() };
    this.waiting.push(this.newest);
    this.work();
  }

  work() {
    const now = this.now();
    this.waiting = this.waiting.filter((each) => now < each.untilMs
      && (each === this.newest || now - each.offeredMs < OVERTAKEN_MS));
    const sentence = this.waiting[0];
    if (!sentence || !this.unlocked || !this.on || !this.can) return;
    if (speechSynthesis.speaking && now - this.lastMs > STUCK_MS) speechSynthesis.cancel();
    const cutsIn = sentence.urgency >= SOON && sentence.urgency > this.urgency;
    if (speechSynthesis.speaking && !cutsIn) return;
    if (now - this.lastMs < LEAST_GAP_MS && !cutsIn) return;
    if (speechSynthesis.speaking) speechSynthesis.cancel();
    this.waiting.shift();
    this.lastNumber = sentence.number;
    this.urgency = sentence.urgency;
    this.speak(sentence.text);
  }

  speak(text) {
    const utterance = new SpeechSynthesisUtterance(text);
    utterance.lang = this.language;
    utterance.onend = () => {
      if (this.utterance !== utterance) return;
      this.urgency = -1;
      this.onSpeaking(false);
    };
    utterance.onerror = (event) => {
      utterance.onend();
      if (!["canceled", "interrupted"].includes(event.error)) this.mute();
    };
    // Held: some browsers drop one that nobody holds, and its end is never told.
    this.utterance = utterance;
    this.lastMs = this.now();
    this.onSpeaking(true);
    speechSynthesis.speak(utterance);
  }

  /** Say back what was tapped; it waits for nobody, and takes no instruction's place. */
  tell(text) {
    if (this.unlocked && this.on && this.can) this.speak(text);
  }

  mute() {
    if (this.isMute) return;
    this.isMute = true;
    this.onMute();
  }

  /** What waits or is being said is not true any more. */
  hush() {
    this.waiting = [];
    this.urgency = -1;
    if (this.can) speechSynthesis.cancel();
  }

  restart() { this.lastNumber = 0; this.hush(); }
}
