// The loud side of an alarm on this device: tone, vibration, a screen that stays on; and a button
// that has to be held, so that no pocket and no bump confirms anything.

let context = null, voice = null, shake = 0, shaking = "";

/** A browser gives sound only from a tap on: call this from one. */
export async function soundOn() {
  if (!context) {
    const Made = window.AudioContext ?? window.webkitAudioContext;
    if (!Made) return false;
    context = new Made();
    // the beat is made by the sound itself: timers of a tab in the background are slow
    const tone = new OscillatorNode(context, { type: "square", frequency: 1000 });
    const beat = new OscillatorNode(context, { type: "square", frequency: 1 });
    const gate = new GainNode(context, { gain: 0.5 }), depth = new GainNode(context, { gain: 0.5 });
    const volume = new GainNode(context, { gain: 0 });
    beat.connect(depth).connect(gate.gain);
    tone.connect(gate).connect(volume).connect(context.destination);
    tone.start();
    beat.start();
    voice = { tone, beat, volume };
  }
  await context.resume();
  return context.state === "running";
}

export const soundOff = () => context?.suspend();
export const sounds = () => context?.state === "running";

/** Play the tone of a look {tone, beats}; null is silence. */
export function play(look) {
  if (!voice) return;
  const on = Boolean(look?.tone);
  if (on) {
    voice.tone.frequency.value = look.tone;
    voice.beat.frequency.value = look.beats;
  }
  voice.volume.gain.value = on ? 0.6 : 0;
}

/** Shake for as long as that look lasts; null ends it. */
export function vibrate(look) {
  const pattern = look?.vibration ?? [];
  if (String(pattern) === shaking) return;
  shaking = String(pattern);
  clearInterval(shake);
  if (!navigator.vibrate) return;
  navigator.vibrate(pattern.length ? pattern : 0);
  if (pattern.length) shake = setInterval(() => navigator.vibrate(pattern), pattern.reduce((a, b) => a + b, 200));
}

/** Keep the screen on where the browser lets a page do so; whether it does. */
export async function stayAwake() {
  try { await navigator.wakeLock.request("screen"); return true; } catch { return false; }
}

const HOLD = 800; // [ms]

/** Call `done` when the button was held, by finger, mouse, Space or Enter; `short` when it was not. */
export function held(button, done, short) {
  let timer = 0, asked = 0;
  const down = () => {
    if (timer || button.disabled) return;
    button.classList.add("held");
    timer = setTimeout(() => { up(true); done(); }, HOLD);
  };
  const up = (whole) => {
    if (timer && whole !== true) short();
    clearTimeout(timer);
    timer = 0;
    button.classList.remove("held");
  };
  button.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    button.setPointerCapture(event.pointerId); // a finger that slips a little still holds
    down();
  });
  for (const name of ["pointerup", "lostpointercapture", "blur"]) button.addEventListener(name, up);
  button.addEventListener("contextmenu", (event) => event.preventDefault());
  button.addEventListener("keydown", (event) => {
    if (![" ", "Enter"].includes(event.key)) return;
    event.preventDefault();
    if (!event.repeat) down();
  });
  button.addEventListener("keyup", up);
  // a screen reader or a switch cannot hold: it activates twice
  button.addEventListener("click", (event) => {
    if (event.detail !== 0 || button.disabled) return;
    if (Date.now() - asked < 5000) { asked = 0; done(); } else { asked = Date.now(); short(); }
  });
}
