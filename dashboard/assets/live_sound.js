// The sound of a distress or motionless alarm that nobody has seen yet. A browser plays nothing before it was
// allowed by a click, so the button says at all times whether there would be a sound.
"use strict";
(() => {
  const REPEAT_MS = 2600;
  const KEPT = "underair-sound";
  let words, button, context = null, sounding = false, timer = null, played = 0;

  const running = () => context?.state === "running";

  // Our own call: three short rising tones with soft edges.
  const tone = () => {
    if (!running()) return;
    [523, 622, 784].forEach((hertz, place) => {
      const begin = context.currentTime + place * 0.17;
      const oscillator = new OscillatorNode(context, { type: "triangle", frequency: hertz });
      const volume = new GainNode(context, { gain: 0 });
      volume.gain.setValueAtTime(0, begin);
      volume.gain.linearRampToValueAtTime(0.5, begin + 0.02);
      volume.gain.setValueAtTime(0.5, begin + 0.11);
      volume.gain.linearRampToValueAtTime(0, begin + 0.15);
      oscillator.connect(volume).connect(context.destination);
      oscillator.start(begin);
      oscillator.stop(begin + 0.16);
    });
    played += 1;
    show();
  };

  const show = () => {
    const on = running();
    underair.text(button, on ? words.sound_on : words.sound_off);
    underair.attribute(button, "aria-pressed", String(on));
    underair.attribute(button, "data-played", played);
    // An alarm that would be silent asks for the click more loudly.
    button.classList.toggle("wanted", sounding && !on);
  };

  const toggle = async () => {
    if (running()) {
      await context.suspend();
      localStorage.removeItem(KEPT);
    } else {
      context ??= new AudioContext();
      await context.resume();
      localStorage.setItem(KEPT, "on");
      if (!sounding) tone(); // so that the click is heard to have worked
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
      const unseen = data.alarms.some((alarm) => alarm.grave && alarm.new && !alarm.ended);
      if (unseen && !sounding) {
        tone();
        timer = setInterval(tone, REPEAT_MS);
      } else if (!unseen && sounding) clearInterval(timer);
      sounding = unseen;
      show();
    },
  };
})();
