// Beside the rows: alarms, teams, whom to ask for the gauge, and the desk's own hand (tally, note, seen).
// What is sent stands as "sent" until it has come back through the archive.
"use strict";
(() => {
  const HAND_MS = 1500;
  const LONGEST_HAND_MS = 4000;
  const BACK_WITHIN_MS = 10000;
  const SERVICE_KEPT = "underair-service";
  const DONE_FOR_MS = 30000; // so long something just done can be undone from here
  let words, parts, pending = [], tallied = [], count = 0, chosenIncident = null;
  const { make, text, attribute } = underair;

  const section = (name, title, ...content) =>
    make("section", { class: name, "aria-labelledby": `h-${name}` }, make("h2", { id: `h-${name}` }, title), ...content);

  const send = async (kind, fields, what) => {
    const item = { key: `sent-${(count += 1)}`, kind, fields, what, sentAt: performance.now(), state: words.sending };
    pending.push(item);
    if (kind !== "seen" && !fields.incident_id) {
      item.problem = words.no_incident_open;
      paintPending([]);
      return false;
    }
    try {
      const response = await fetch(`/live/desk/${kind}`, {
        method: "POST",
        headers: { "Content-Type": "application/json", "X-Underair-Token": underair.state.token },
        body: JSON.stringify({ service: parts.service.value, ...fields }),
        signal: AbortSignal.timeout(8000),
      });
      const answer = await response.json();
      if (response.ok) localStorage.setItem(SERVICE_KEPT, parts.service.value);
      if (response.ok) item.identity = answer.sent;
      else item.problem = answer.problem;
    } catch {
      item.problem = words.not_reached;
    }
    paintPending([]);
    return !item.problem;
  };

  // To undo is to say the opposite: what was said stays in the record. Nobody can unsee an alarm.
  const undoing = ({ kind, fields, what }) => {
    const again = { ...fields };
    if (kind === "note") again.text = underair.fill(words.withdrawn, fields);
    else again.action = { in: "out", out: "in", open: "close", close: "open" }[fields.action];
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
      paintPending([]);
    };
    const undo = make("button", { type: "button", class: "undo", onclick: () => {
      undoing(item)();
      remove();
    } }, words.undo);
    const close = make("button", { type: "button", class: "close", onclick: remove }, words.dismiss);
    return make("li", {}, make("span"), undo, close);
  };

  const paintPending = (heard) => {
    const now = performance.now();
    const back = new Set(heard);
    for (const item of pending) if (item.identity && back.has(item.identity)) item.doneAt ??= now;
    pending = pending.filter((item) => !(item.doneAt && now - item.doneAt > (item.kind === "seen" ? 0 : DONE_FOR_MS)));
    underair.keyed(parts.pending, pending, makePending, (element, item) => {
      const [said, undo, close] = element.children;
      text(said, `${item.what}: ${stateOf(item, now)}`);
      undo.hidden = !item.doneAt;
      close.hidden = !(item.problem || (!item.doneAt && now - item.sentAt > BACK_WITHIN_MS));
      element.classList.toggle("bad", Boolean(item.problem));
      element.classList.toggle("done", Boolean(item.doneAt));
    });
    parts.pending.hidden = pending.length === 0;
  };

  const field = (name, label, attributes = {}) => {
    const input = make(attributes.rows ? "textarea" : "input", { name, autocomplete: "off", ...attributes });
    return make("label", { class: `f-${name}` }, label, input);
  };

  // What is doubtful is said once, and goes out when it is said again: the page may know less than the desk.
  const form = (kind, title, fields, buttons, describe, doubtOf = () => "") => {
    const doubt = make("p", { class: "doubt", role: "alert" });
    const element = make("form", { class: `send ${kind}`, onsubmit: async (event) => {
      event.preventDefault();
      const values = Object.fromEntries(new FormData(element));
      const action = event.submitter?.value;
      if (action) values.action = action;
      const doubtful = doubtOf(values);
      const told = doubtful && doubt.textContent === doubtful;
      text(doubt, told ? "" : doubtful);
      if (doubtful && !told) {
        doubt.scrollIntoView({ block: "nearest" }); // the desk's column may end above it
        return;
      }
      if (kind !== "incident") values.incident_id = chosenIncident?.value || "";
      if (await send(kind, values, describe(values))) element.reset();
    } }, ...fields, make("div", { class: "buttons" }, ...buttons), doubt);
    return make("details", { class: `fold ${kind}` }, make("summary", {}, title), element);
  };
  const button = (label, value) => make("button", { type: "submit", value }, label);

  const wearerOf = (set) => tallied.find((one) => one.set_id === set)?.wearer_id;
  const doubtAboutTally = (values) => {
    const other = wearerOf(values.set_id);
    if (values.action === "out" && other !== values.wearer_id) return underair.fill(words.tally_nobody, values);
    if (values.action === "in" && other && other !== values.wearer_id) return underair.fill(words.tally_other, { ...values, other });
    return "";
  };
  const doubtAboutClosing = (values) => {
    const inside = tallied.filter((one) => one.incident_id === values.incident_id).map((one) => one.wearer_id);
    return values.action === "close" && inside.length ? underair.fill(words.close_inside, { who: inside.join(", ") }) : "";
  };
  // A set that is tallied in brings its wearer with it; what somebody has typed stays.
  const fillFromSet = (event) => {
    const { elements } = event.target.form;
    const known = tallied.find((one) => one.set_id === event.target.value);
    for (const name of ["wearer_id", "team", "task"]) {
      if (known?.[name] && !elements[name].value) elements[name].value = known[name];
    }
  };

  const makeAlarm = (item) => {
    const shown = {};
    for (const name of ["alarm", "who", "age", "state"]) shown[name] = make("span", { class: name });
    const seen = make("button", { type: "button", class: "seen", onclick: () => {
      send("seen", { set_id: element.item.set_id, alarm: element.item.code, service: element.item.service },
        underair.fill(words.seen_what, { alarm: element.item.alarm, who: element.item.who }));
    } }, words.seen);
    const element = make("li", {}, underair.shape(item.a), shown.alarm, seen, shown.who,
      make("span", { class: "since" }, shown.age, " · ", shown.state));
    Object.assign(element, { shown, seen });
    return element;
  };
  const paintAlarm = (element, item) => {
    element.item = item;
    for (const [name, part] of Object.entries(element.shown)) text(part, name === "who" && item.team ? `${item.who}, ${item.team}` : item[name]);
    attribute(element, "data-a", item.a);
    element.classList.toggle("new", item.new);
    element.classList.toggle("grave", item.grave);
    element.classList.toggle("ended", item.ended);
    element.seen.hidden = !item.new || !words.may_send;
    attribute(element.seen, "aria-label", underair.fill(words.seen_what, item));
  };

  const makePrompt = () => {
    const asked = make("button", { type: "button", hidden: !words.may_send, onclick: () => {
      const { item } = element;
      send("note", { incident_id: item.incident_id ?? chosenIncident.value, set_id: item.set_id,
        text: underair.fill(words.asked_note, item) }, underair.fill(words.asked_what, item));
    } }, words.asked);
    const element = make("li", {}, make("span", { class: "prompt" }), make("span", { class: "age" }), asked);
    return element;
  };

  const makeTeam = (item) => {
    const element = make("li", {}, underair.shape(item.a),
      make("div", { class: "top-line" }, make("span", { class: "name" }), make("span", { class: "left" })),
      make("span", { class: "members" }));
    return element;
  };
  const paintTeam = (element, item) => {
    const [shape, line, members] = element.children;
    const [name, left] = line.children;
    underair.reshape(shape, item.a);
    attribute(element, "data-a", item.a);
    text(name, item.name);
    text(left, item.left);
    left.classList.toggle("known", item.known);
    text(members, item.members);
  };

  const options = (select, incidents) => {
    const wanted = incidents.map((one) => one.id).join("\n");
    if (select.dataset.wanted === wanted) return;
    const before = select.value; // a datalist has none
    select.dataset.wanted = wanted;
    select.replaceChildren(...incidents.map((one) => make("option", { value: one.id }, one.text)));
    if (incidents.some((one) => one.id === before)) select.value = before;
  };

  // While a hand is on a list its buttons keep their places: what is new stands last until the hand has gone.
  const steady = (list, items) => {
    const now = performance.now();
    const places = [...(list.known?.keys() ?? [])];
    const shown = [...list.children].map((element) => places.find((key) => list.known.get(key) === element));
    const changed = items.some((item, place) => shown[place] !== item.key);
    if (!changed || !(now - list.handAt < HAND_MS)) list.heldFrom = null;
    else list.heldFrom ??= now;
    if (list.heldFrom == null || now - list.heldFrom > LONGEST_HAND_MS) return items;
    const rank = new Map(shown.map((key, place) => [key, place]));
    return [...items].sort((one, other) => (rank.get(one.key) ?? Infinity) - (rank.get(other.key) ?? Infinity) || 0);
  };
  const underHand = (list) => {
    for (const kind of ["pointermove", "pointerdown"]) list.addEventListener(kind, () => (list.handAt = performance.now()));
    return list;
  };

  underair.side = {
    build: (given) => {
      words = given;
      chosenIncident = make("select", { name: "incident_id", id: "incident" });
      parts = {
        pending: make("ul", { class: "pending", role: "status", hidden: true }),
        alarms: underHand(make("ol", { class: "alarms", tabindex: 0, "aria-label": words.alarms })),
        noAlarms: make("p", { class: "none" }),
        teams: make("ol", { class: "teams", tabindex: 0, "aria-label": words.teams }),
        prompts: underHand(make("ol", { class: "prompts", tabindex: 0, "aria-label": words.prompts })),
        notes: make("ol", { class: "notes", tabindex: 0, "aria-label": words.notes }),
        service: make("input", { name: "service", list: "known-services", maxlength: 40, autocomplete: "off",
          value: localStorage.getItem(SERVICE_KEPT) ?? "" }),
        services: make("datalist", { id: "known-services" }),
        sets: make("datalist", { id: "known-sets" }),
      };
      parts.promptSection = section("ask", words.prompts, parts.prompts);
      parts.serviceLabel = make("label", { hidden: true }, words.service, parts.service);
      const desk = words.may_send ? [
        parts.serviceLabel,
        make("label", { class: "which", for: "incident" }, words.incident, chosenIncident),
        form("tally", words.tally, [
          field("set_id", words.set, { required: true, list: "known-sets", maxlength: 40, onchange: fillFromSet }),
          field("wearer_id", words.wearer, { required: true, maxlength: 40 }),
          field("team", words.team, { maxlength: 40 }),
          field("task", words.task, { maxlength: 120 }),
        ], [button(words.tally_in, "in"), button(words.tally_out, "out")],
        (values) => underair.fill(values.action === "in" ? words.tally_in_what : words.tally_out_what, values),
        doubtAboutTally),
        form("note", words.note, [
          field("text", words.note_text, { required: true, rows: 3, maxlength: 2000 }),
          field("set_id", words.note_set, { list: "known-sets", maxlength: 40 }),
        ], [button(words.note_send)], () => words.note_what),
        form("incident", words.incident_form, [
          field("incident_id", words.incident_id, { required: true, maxlength: 40 }),
          field("name", words.incident_name, { maxlength: 120 }),
          field("place", words.incident_place, { maxlength: 120 }),
        ], [button(words.incident_open, "open"), button(words.incident_close, "close")],
        (values) => underair.fill(values.action === "open" ? words.open_what : words.close_what, values),
        doubtAboutClosing),
      ] : [make("p", { class: "none" }, words.read_only)];
      return make(
        "aside", { class: "side", "aria-label": words.side },
        parts.pending,
        section("alarm-list", words.alarms, parts.noAlarms, parts.alarms),
        (parts.teamSection = section("team-list", words.teams, parts.teams)),
        parts.promptSection,
        section("desk", words.desk, ...desk, parts.sets, parts.services),
        (parts.noteSection = section("note-list", words.notes, parts.notes)),
      );
    },

    // A row was chosen: the tally and note forms are filled for it.
    choose: (row) => {
      for (const element of document.querySelectorAll(".side form.tally, .side form.note")) {
        for (const [name, value] of Object.entries(row.fields)) {
          if (element.elements[name]) element.elements[name].value = value ?? "";
        }
      }
    },

    paint: (data) => {
      tallied = data.rows.map((row) => row.fields).filter((fields) => fields.wearer_id);
      underair.keyed(parts.alarms, steady(parts.alarms, data.alarms), makeAlarm, paintAlarm);
      parts.noAlarms.hidden = data.alarms.length > 0;
      underair.text(parts.noAlarms, data.no_alarms);
      underair.keyed(parts.teams, data.teams, makeTeam, paintTeam);
      underair.keyed(
        parts.prompts, steady(parts.prompts, data.prompts),
        makePrompt,
        (element, item) => {
          element.item = item;
          text(element.children[0], item.text);
          text(element.children[1], item.age);
        },
      );
      parts.promptSection.hidden = data.prompts.length === 0;
      parts.teamSection.hidden = data.teams.length === 0;
      parts.noteSection.hidden = data.notes.length === 0;
      underair.keyed(
        parts.notes, data.notes,
        () => make("li", {}, make("time"), make("span", { class: "about" }), make("span", { class: "text" })),
        (element, item) => {
          const [time, about, body] = element.children;
          text(time, item.at);
          text(about, item.about);
          text(body, item.text);
        },
      );
      options(chosenIncident, data.incidents);
      // Only where it is not plain which service is meant does anybody have to say so.
      parts.serviceLabel.hidden = data.services.length === 1;
      if (data.services.length === 1) parts.service.value = data.services[0];
      options(parts.services, data.services.map((id) => ({ id, text: id })));
      underair.keyed(parts.sets, data.sets.map((id) => ({ key: id })), (item) => make("option", { value: item.key }), () => {});
      paintPending(data.heard);
    },
  };
})();
