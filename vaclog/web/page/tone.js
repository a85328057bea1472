// A tone that rises with the vacuum.
//
// Enters: the pressure. Leaves: a soft tone whose pitch goes up by an octave for each 1.5 kPa less
// pressure: more vacuum is a higher tone. The first pressure heard is the A of tuning forks.

// Half an inch of mercury is an octave: a hill's height is heard as a tune.
const KPA_PER_OCTAVE = 1.5, MIDDLE_HZ = 440, LOW_HZ = 110, HIGH_HZ = 1760;
const LOUDNESS = 0.07;
// Of its loudness (-16 dB), while the voice speaks.
const DUCKED = 0.15;
// Time constants in seconds: a step of pitch glides, a step of loudness does not click.
const GLIDE_S = 0.08, FADE_S = 0.05;

/** Pitch of a pressure, beside the one that is the middle. */
export function pitchHz(kpa, middleKpa) {
  const hz = MIDDLE_HZ * 2 ** ((middleKpa - kpa) / KPA_PER_OCTAVE);
  return Math.max(LOW_HZ, Math.min(hz, HIGH_HZ));
}

export class Tone {
  constructor() {
    this.on = false;
    this.isLoud = false;
    this.isDucked = false;
    this.context = null;
    this.middleKpa = null;
    // A call, or a screen that was off, suspends it; nobody taps then.
    document.addEventListener("visibilitychange", () => {
      if (this.on && document.visibilityState === "visible") this.context?.resume();
    });
  }

  /** Called within a tap: only then may a browser sound. */
  toggle() {
    this.on = !this.on;
    if (this.on) {
      if (!this.context) this.begin(new AudioContext());
      this.context.resume();
    }
    this.loud(this.on);
    return this.on;
  }

  begin(context) {
    this.context = context;
    this.oscillator = context.createOscillator();
    this.gain = context.createGain();
    this.oscillator.type = "triangle";
    this.gain.gain.value = 0;
    this.oscillator.connect(this.gain).connect(context.destination);
    this.oscillator.start();
  }

  follow(kpa) {
    if (!this.on || typeof kpa !== "number") return;
    if (this.middleKpa === null) this.middleKpa = kpa;
    const hz = pitchHz(kpa, this.middleKpa);
    this.oscillator.frequency.setTargetAtTime(hz, this.context.currentTime, GLIDE_S);
  }

  /** Silent while the numbers are old: a tone that does not move would be taken for a reading. */
  rest() { this.loud(false); }

  wake() { if (this.on) this.loud(true); }

  /** Make room for the voice, or take it again. */
  duck(isDucked) {
    this.isDucked = isDucked;
    this.loud(this.isLoud);
  }

  loud(isLoud) {
    this.isLoud = isLoud;
    if (!this.context) return;
    const to = isLoud ? LOUDNESS * (this.isDucked ? DUCKED : 1) : 0;
    this.gain.gain.setTargetAtTime(to, this.context.currentTime, FADE_S);
  }
}
