// What the desk sends, and how far each message is. "Sent" means that the broker has it, "stored" that it has come back
// through the archive. Nothing is sent later without a press; a form keeps its text until the broker has it.
"use strict";
(() => {
  const BACK_WITHIN_MS = 10000;
  const SEEN_WITHIN_MS = 3000; // until then its own line is the answer, and nothing pushes the alarms down
  const DONE_FOR_MS = 30000; // so long something just done can be undone from here ...
  const SETTLED_FOR_MS = 300000; // ... and a closed alarm longer: it has no row from which it could be opened again
  const GIVE_UP_MS = 8000; // longer than the server waits for its broker
  const SERVICE_KEPT = "underair-service";
  const ANSWERS = { answered: "missing", missing: "answered" };
  const AGAIN = { in: "out", out: "in", open: "close", close: "open" };
  let words, list, pending = [], count = 0, service, typed, chosenIncident;
  const { make, text } = underair;
  const chosenService = () => (service.hidden ? typed : service).value;

  const send = async (kind, fields, what) => {
    const item = { key: `sent-${(count += 1)}`, kind, fields, what, sentAt: performance.now() };
    pending.push(item);
    repaint();
    if (kind !== "seen" && !fields.incident_id) {
      item.problem = words.no_incident_open;
      repaint();
      return false;
    }
    try {
      const response = await fetch(`/live/desk/${kind}`, {
        method: "POST",
        headers: { "Content-Type": "application/json", "X-Underair-Token": underair.state.token },
        body: JSON.stringify({ chosen_service: chosenService(), ...fields }),
        signal: underair.endAfter(GIVE_UP_MS),
      });
      const answer = await response.json();
      if (response.ok) localStorage.setItem(SERVICE_KEPT, chosenService());
      if (response.ok) item.identity = answer.sent; // one for each service that it went to
      else item.problem = answer.problem;
    } catch {
      item.problem = words.not_reached;
    }
    repaint();
    return !item.problem;
  };

  // The identity of a message as the contract's `corrects` has it.
  const correcting = (identity) => {
    const [desk_id, boot, seq] = identity.split("/");
    return { desk_id, boot: Number(boot), seq: Number(seq) };
  };
  // Undo sends the opposite: the first message stays in the record. A tally and a settlement are corrected by their
  // number, a gauge by a reading in its place (in the row). Nobody can unsee an alarm.
  const undoing = ({ kind, fields, what, identity }) => {
    const again = { ...fields };
    if (kind === "note") again.text = underair.fill(words.withdrawn, fields);
    else if (kind === "tally" || kind === "incident") again.action = AGAIN[fields.action];
    else if (kind === "order") again.state = fields.state === "given" ? "lifted" : "given";
    else if (kind === "roll_call" && fields.state in ANSWERS) again.state = ANSWERS[fields.state];
    else if (kind === "resolved") again.text = words.undo;
    else return null;
    if (kind === "tally" || kind === "resolved") again.corrects = correcting(identity);
    return () => send(kind, again, underair.fill(words.undo_what, { what }));
  };

  const stateOf = (item, now) => {
    if (item.problem) return item.problem;
    if (item.doneAt) return words.done;
    if (!item.identity) return words.sending;
    return now - item.sentAt > BACK_WITHIN_MS ? words.not_back : words.sent;
  };

  const makePending = (item) => {
    const remove = () => {
      pending = pending.filter((other) => other !== item);
      repaint();
    };
    const undo = make("button", { type: "button", class: "undo", onclick: () => {
      undoing(item)?.();
      remove();
    } }, words.undo);
    return make("li", {}, make("span"), undo, make("button", { type: "button", class: "close", onclick: remove }, words.dismiss));
  };

  const paint = (heard) => {
    const now = performance.now();
    const back = new Set(heard);
    for (const item of pending) if (item.identity?.split(" ").every((one) => back.has(one))) item.doneAt ??= now;
    const brief = (item) => (item.kind === "seen" || item.quiet ? 0 : item.kind === "resolved" ? SETTLED_FOR_MS : DONE_FOR_MS);
    pending = pending.filter((item) => !(item.doneAt && now - item.doneAt > brief(item)));
    const rank = (item) => (item.problem ? 0 : item.doneAt ? 2 : 1); // what went wrong first, then the newest
    const shown = pending.filter((item) => item.kind !== "seen" || item.problem || now - item.sentAt > SEEN_WITHIN_MS).sort((one, other) => rank(one) - rank(other) || other.sentAt - one.sentAt);
    underair.keyed(list, shown, makePending, (element, item) => {
      const [said, undo, close] = element.children;
      text(said, `${item.what}: ${stateOf(item, now)}`);
      undo.hidden = !item.doneAt || !undoing(item);
      close.hidden = !(item.problem || item.kind === "resolved" || now - item.sentAt > BACK_WITHIN_MS);
      element.classList.toggle("bad", Boolean(item.problem));
      element.classList.toggle("done", Boolean(item.doneAt));
    });
    list.hidden = shown.length === 0;
  };

  const repaint = () => underair.settling(() => paint([]));

  const field = (name, label, attributes = {}) => {
    const input = make(attributes.rows ? "textarea" : "input", { name, autocomplete: "off", ...attributes });
    return make("label", { class: `f-${name}` }, label, input);
  };
  const button = (label, value, attributes = {}) => make("button", { type: "submit", value, ...attributes }, label);

  // Once it is sent a form empties, unless somebody has typed the next thing meanwhile.
  const emptying = (form) => {
    const typed = () => JSON.stringify([...new FormData(form)]);
    const before = typed();
    return () => typed() === before && form.reset();
  };

  // A doubtful message is questioned once and sent when pressed again: the page may know less than the desk.
  /** @type {Underair["desk"]["form"]} */
  const form = (kind, fields, buttons, { describe, doubtOf = () => "", complete = (values) => values, after = () => {} }) => {
    const doubt = make("p", { class: "doubt", role: "alert" });
    let said = "";
    const element = make("form", { class: `send ${kind}`, onsubmit: async (event) => {
      event.preventDefault();
      const values = complete(Object.fromEntries(new FormData(element)), event.submitter?.value);
      const doubtful = doubtOf(values);
      const told = doubtful && said === doubtful;
      said = told ? "" : doubtful;
      text(doubt, said);
      if (doubtful && !told) {
        doubt.scrollIntoView({ block: "nearest" }); // the desk's column may end above it
        return;
      }
      const empty = emptying(element);
      if (await send(kind, values, describe(values))) {
        empty();
        after();
      }
    } }, ...fields, make("div", { class: "buttons" }, ...buttons), doubt);
    return element;
  };

  underair.desk = {
    build: (given) => {
      words = given;
      list = make("ul", { class: "pending", role: "status", hidden: true });
      chosenIncident = make("select", { name: "incident_id", id: "incident" });
      service = make("select", { name: "service" });
      typed = make("input", { name: "service", maxlength: 40, autocomplete: "off", "aria-label": words.service_typed });
      underair.desk.serviceLabel = make("label", { hidden: true }, words.service, service, typed);
      underair.desk.whichLabel = make("label", { class: "which", for: "incident" }, words.incident, chosenIncident);
      return list;
    },
    send, form, field, button, correcting, emptying,
    incident: () => chosenIncident.value,
    paint: (data) => {
      underair.options(chosenIncident, data.incidents);
      // Only where it is not plain which service is meant does anybody have to say so.
      underair.desk.serviceLabel.hidden = data.services.length === 1;
      underair.options(service, ["", ...data.services].map((id) => ({ id, text: id })));
      if (!service.value) service.value = localStorage.getItem(SERVICE_KEPT) ?? "";
      service.hidden = data.services.length === 0; // nothing was heard yet, so there is none to choose from
      typed.hidden = !service.hidden;
      paint(data.heard);
    },
  };
})();
