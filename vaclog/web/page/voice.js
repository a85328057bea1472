// Voice and tone.
//
// Enters: instructions with their urgency and how long they are worth saying; the vacuum. Leaves:
// speech, one sentence at a time, the most urgent first and never a stale one; a tone that rises
// with the vacuum. Browsers let neither begin before the first tap.

// Between the beginnings of two sentences, in milliseconds: more is chatter. A warning may cut in.
const LEAST_GAP_MS = 1500, SOON = 2;
// An octave for a rise of 1.5 kPa (half an inch of mercury): a hill's height is heard as a tune.
const KPA_PER_OCTAVE = 1.5, MIDDLE_HZ = 440, LOW_HZ = 110, HIGH_HZ = 1760;

export class Voice {
  constructor(language) {
    this.language = language;
    this.on = true;
    this.unlocked = false;
    this.next = null;
    this.lastNumber = 0;
    this.lastMs = -Infinity;
    this.urgency = -1;
    setInterval(() => this.work(), 100);
  }

  get can() { return "speechSynthesis" in window && "SpeechSynthesisUtterance" in window; }

  /** Called within the first tap: only then may a browser speak. */
  unlock() {
    this.unlocked = true;
    if (this.can) speechSynthesis.resume();
    this.work();
  }

  /** Offer a sentence; it takes the place of a less urgent one that waits. */
  offer(sentence) {
    if (sentence.number <= this.lastNumber) return;
    if (this.next && this.next.urgency > sentence.urgency && performance.now() < this.next.untilMs) {
      return;
    }
    this.next = sentence;
    this.work();
  }

  work() {
    const sentence = this.next, now = performance.now();
    if (!sentence || !this.unlocked) return;
    if (now >= sentence.untilMs || !this.on || !this.can) {
      if (now >= sentence.untilMs) this.next = null;
      return;
    }
    const cutsIn = sentence.urgency >= SOON && sentence.urgency > this.urgency;
    if (speechSynthesis.speaking && !cutsIn) return;
    if (now - this.lastMs < LEAST_GAP_MS && !cutsIn) return;
    if (speechSynthesis.speaking) speechSynthesis.cancel();
    this.next = null;
    this.lastNumber = sentence.number;
    this.lastMs = now;
    this.urgency = sentence.urgency;
    const utterance = new SpeechSynthesisUtterance(sentence.text);
    utterance.lang = this.language;
    utterance.onend = () => { this.urgency = -1; };
    speechSynthesis.speak(utterance);
  }

  /** Say back what was tapped; it waits for nobody, and takes no instruction's place. */
  tell(text) {
    if (!this.unlocked || !this.on || !this.can) return;
    const utterance = new SpeechSynthesisUtterance(text);
    utterance.lang = this.language;
    this.lastMs = performance.now();
    speechSynthesis.speak(utterance);
  }

  /** What waits or is being said is not true any more. */
  hush() {
    this.next = null;
    if (this.can) speechSynthesis.cancel();
  }

  restart() { this.lastNumber = 0; this.hush(); }
}

export class Tone {
  constructor() {
    this.on = false;
    this.context = null;
    this.reference = null;
  }

  toggle() {
    this.on = !this.on;
    if (this.on && !this.context) this.begin();
    if (this.context) {
      if (this.on) this.context.resume();
      this.gain.gain.setTargetAtTime(this.on ? 0.07 : 0, this.context.currentTime, 0.05);
    }
    return this.on;
  }

  begin() {
    this.context = new AudioContext();
    this.oscillator = this.context.createOscillator();
    this.gain = this.context.createGain();
    this.oscillator.type = "triangle";
    this.gain.gain.value = 0;
    this.oscillator.connect(this.gain).connect(this.context.destination);
    this.oscillator.start();
  }

  /** More vacuum is less pressure is a higher tone; the first pressure heard is the middle. */
  follow(kpa) {
    if (!this.on || typeof kpa !== "number") return;
    if (this.reference === null) this.reference = kpa;
    const hz = MIDDLE_HZ * 2 ** ((this.reference - kpa) / KPA_PER_OCTAVE);
    const safe = Math.max(LOW_HZ, Math.min(hz, HIGH_HZ));
    this.oscillator.frequency.setTargetAtTime(safe, this.context.currentTime, 0.08);
  }

  rest() {
    if (this.context) this.gain.gain.setTargetAtTime(0, this.context.currentTime, 0.05);
  }

  wake() {
    if (this.on) this.gain.gain.setTargetAtTime(0.07, this.context.currentTime, 0.05);
  }
}
