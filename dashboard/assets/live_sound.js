// Sounds, which differ in their pattern: how many tones, rising or falling, long or short. A sound repeats until a person
// has seen what it is for; that a set went off ends nothing. A browser plays nothing before a click allows it,
// so the button always says whether there would be a sound.
"use strict";
(() => {
  const REPEAT_MS = 2600;
  const KEPT = "underair-sound";
  // Our own calls: [hertz, begin, length] in seconds. Each differs from the others in rhythm alone.
  const PATTERNS = {
    distress: [[523, 0, 0.14], [622, 0.17, 0.14], [784, 0.34, 0.14], [523, 0.6, 0.14], [622, 0.77, 0.14], [784, 0.94, 0.14]],
    no_motion: [[784, 0, 0.14], [622, 0.17, 0.14], [523, 0.34, 0.14]],
    not_accounted: [[440, 0, 0.5], [659, 0.6, 0.12], [659, 0.8, 0.12]],
    losing_air: [[880, 0, 0.07], [831, 0.1, 0.07], [784, 0.2, 0.07], [740, 0.3, 0.07], [698, 0.4, 0.07], [659, 0.5, 0.07], [622, 0.6, 0.07], [587, 0.7, 0.07]],
    low_air: [[392, 0, 0.3], [392, 0.45, 0.3]],
    order: [[587, 0, 0.12], [587, 0.3, 0.5]],
  };
  const ORDER = Object.keys(PATTERNS); // first the most urgent
  let words, button, context = null, wanted = [], turn = 0, timer = null, played = 0;

  const running = () => context?.state === "running";

  const play = (name) => {
    if (!running()) return;
    for (const [hertz, after, length] of PATTERNS[name]) {
      const begin = context.currentTime + after;
      const oscillator = new OscillatorNode(context, { type: "triangle", frequency: hertz });
      const volume = new GainNode(context, { gain: 0 });
      volume.gain.setValueAtTime(0, begin);
      volume.gain.linearRampToValueAtTime(0.5, begin + 0.02);
      volume.gain.setValueAtTime(0.5, begin + length - 0.03);
      volume.gain.linearRampToValueAtTime(0, begin + length);
      oscillator.connect(volume).connect(context.destination);
      oscillator.start(begin);
      oscillator.stop(begin + length + 0.01);
    }
    played += 1;
    underair.attribute(button, "data-last", name);
    show();
  };

  // Several calls take turns: the most urgent every other time.
  const next = () => {
    if (!wanted.length) return;
    const others = wanted.slice(1);
    turn += 1;
    play(turn % 2 || !others.length ? wanted[0] : others[(turn / 2 - 1) % others.length]);
  };

  const show = () => {
    const on = running();
    underair.text(button, on ? words.sound_on : words.sound_off);
    underair.attribute(button, "aria-pressed", String(on));
    underair.attribute(button, "data-played", played);
    underair.attribute(button, "data-wanted", wanted.join(" "));
    // An alarm that would be silent asks for the click more loudly.
    button.classList.toggle("wanted", wanted.length > 0 && !on);
  };

  const toggle = async () => {
    if (running()) {
      await context.suspend();
      localStorage.removeItem(KEPT);
    } else {
      context ??= new AudioContext();
      await context.resume();
      localStorage.setItem(KEPT, "on");
      if (wanted.length) next();
      else play("no_motion"); // so that the click can be heard to work
    }
    show();
  };

  underair.sound = {
    build: (given) => {
      words = given;
      button = underair.make("button", { type: "button", class: "sound", onclick: toggle });
      if (localStorage.getItem(KEPT) === "on") {
        context = new AudioContext();
        context.addEventListener("statechange", show);
      }
      show();
      return button;
    },
    paint: (data) => {
      const unseen = [...data.alarms, ...data.orders].filter((one) => one.new && one.sound);
      const before = wanted;
      wanted = ORDER.filter((name) => unseen.some((one) => one.sound === name));
      const fresh = wanted.some((name) => !before.includes(name));
      if (fresh) {
        clearInterval(timer);
        turn = 0;
        timer = setInterval(next, REPEAT_MS);
        play(wanted.find((name) => !before.includes(name))); // what is new is heard at once
      } else if (!wanted.length) clearInterval(timer);
      show();
    },
  };
})();
