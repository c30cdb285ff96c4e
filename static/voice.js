// Reading aloud, in the browser's own voice, and the tick.
import { setting } from "./page.js";

const TICK_HZ = 1100;
const TICK_S = 0.045;

export const canSpeak = () => Boolean(window.speechSynthesis);

export const hasVoice = () => canSpeak() && speechSynthesis.getVoices().length > 0;

// Read a text aloud now; what was being read is broken off.
export const speak = (text) => {
  if (!canSpeak()) return;
  speechSynthesis.cancel();
  if (!text) return;
  const words = new SpeechSynthesisUtterance(text);
  words.lang = "en";
  speechSynthesis.speak(words);
};

// The same where she has set that instructions are read aloud.
export const sayAloud = (text) => {
  if (setting("speak") === "on") speak(text);
};

let sound = null;

// A short tick, where she has set one.
export const tick = () => {
  if (setting("tick") !== "on" || !("AudioContext" in window)) return;
  sound ??= new AudioContext();
  sound.resume();
  const tone = new OscillatorNode(sound, { frequency: TICK_HZ });
  const loudness = new GainNode(sound, { gain: 0.3 });
  loudness.gain.exponentialRampToValueAtTime(0.001, sound.currentTime + TICK_S);
  tone.connect(loudness).connect(sound.destination);
  tone.start();
  tone.stop(sound.currentTime + TICK_S);
};
