// No press counts for what the page itself has just put under the finger.
"use strict";
(() => {
  const SETTLE_MS = 700; // about as long as a hand needs from the look to the press; our own rule
  const ELSEWHERE_PX = 22; // half a button: moved by less, the same press still meets it

  const HAND_MS = 1500;
  const LONGEST_HAND_MS = 4000;

  const places = () => new Map([...document.querySelectorAll("#live button")].map((button) => [button, button.getBoundingClientRect()]));
  const moved = (before, now) => !before?.width || Math.hypot(before.x - now.x, before.y - now.y) > ELSEWHERE_PX;

  underair.underHand = (list) => {
    for (const kind of ["pointermove", "pointerdown"]) list.addEventListener(kind, () => (list.handAt = performance.now()));
    return list;
  };
  underair.handOn = (list, handMs = HAND_MS) => performance.now() - list.handAt < handMs;
  // While the pointer is on a list its buttons keep their places: new ones come last until it has gone.
  underair.steady = (list, items, handMs = HAND_MS, longestMs = LONGEST_HAND_MS) => {
    const now = performance.now();
    const places = [...(list.known?.keys() ?? [])];
    const shown = [...list.children].map((element) => places.find((key) => list.known.get(key) === element));
    const changed = items.some((item, place) => shown[place] !== item.key);
    if (!changed || !underair.handOn(list, handMs)) list.heldFrom = null;
    else list.heldFrom ??= now;
    if (list.heldFrom == null || now - list.heldFrom > longestMs) return items;
    const rank = new Map(shown.map((key, place) => [key, place]));
    return [...items].sort((one, other) => (rank.get(one.key) ?? Infinity) - (rank.get(other.key) ?? Infinity) || 0);
  };

  // Keyboard and screen readers press what they have chosen, wherever it is, and go on without a pause.
  underair.settling = (change) => {
    const before = places();
    change();
    for (const [button, place] of places()) {
      if (!place.width || !moved(before.get(button), place)) continue;
      button.classList.add("settling");
      clearTimeout(button.settles);
      button.settles = setTimeout(() => button.classList.remove("settling"), SETTLE_MS);
    }
  };
})();
