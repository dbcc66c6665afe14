// Beside the rows: alarms, teams, whom to ask for the gauge, the desk's forms, notes, who came out.
"use strict";
(() => {
  const ORDER_SEEN_PX = 100; // the first lines of an order or roll call
  const CUT_PX = 4; // the edge of an entry: its words are still there
  /** @type {Record<string, any>} */
  let parts;
  let words, tallied = [], sets = [];
  const { make, text, attribute } = underair;

  const section = (name, title, ...content) =>
    make("section", { class: name, "aria-labelledby": `h-${name}` }, make("h2", { id: `h-${name}` }, title), ...content);
  const fold = (kind, title, content) => make("details", { class: `fold ${kind}` }, make("summary", {}, title), content);

  const entryOf = (values) => tallied.find((one) => one.set_id === values.set_id && one.inside);
  const shapeOf = (name) => name.replace(/[0-9]/g, "9").replace(/[a-z]/gi, "A");
  // Whatever the page finds odd about a tally is asked once.
  const doubtAboutTally = (row) => (values) => {
    const other = values.corrects && values.set_id === row.fields.set_id ? null : entryOf(values)?.wearer_id;
    if (values.action === "out") return other === values.wearer_id ? "" : underair.fill(words.tally_nobody, values);
    if (other && other !== values.wearer_id) return underair.fill(words.tally_other, { ...values, other });
    const elsewhere = tallied.find((one) => one.inside && one.wearer_id === values.wearer_id && one.set_id !== values.set_id);
    if (elsewhere && !values.corrects) return underair.fill(words.tally_elsewhere, { ...values, other: elsewhere.set_id });
    if (!sets.includes(values.set_id)) return underair.fill(words.tally_unheard, values);
    const shapes = tallied.map((one) => one.wearer_id).filter(Boolean);
    const usual = shapes.length > 1 && new Set(shapes.map(shapeOf)).size === 1;
    if (usual && shapeOf(values.wearer_id) !== shapeOf(shapes[0])) return underair.fill(words.tally_unlike, { ...values, other: shapes[0] });
    return "";
  };
  // An open entry keeps its incident; the chosen one is for new entries only.
  const completeTally = (row) => (values, action) => {
    const corrects = action === "correct" ? { corrects: underair.desk.correcting(row.tally) } : {};
    if (action !== "out") action = "in";
    const open = (row?.fields.inside && row.fields) || entryOf(values) || tallied.find((one) => one.inside && one.wearer_id === values.wearer_id);
    const entry = open || row?.fields;
    const incident_id = entry?.incident_id || underair.desk.incident() || "";
    return { ...values, ...corrects, action, incident_id, ...(entry?.service ? { service: entry.service } : {}) };
  };
  const doubtAboutClosing = (values) => {
    const inside = tallied.filter((one) => one.incident_id === values.incident_id && one.wearer_id).map((one) => one.wearer_id);
    if (values.action !== "close" || !inside.length) return "";
    return underair.fill(words.close_inside, { count: inside.length, who: underair.few(inside, words.close_more) });
  };
  // A set that is tallied in brings its wearer with it; what somebody has typed stays.
  const fillFromSet = (event) => {
    const { elements } = event.target.form;
    const known = tallied.find((one) => one.set_id === event.target.value);
    for (const name of ["wearer_id", "team", "task"]) {
      if (known?.[name] && !elements[name].value) elements[name].value = known[name];
    }
  };
  const tallyForm = (buttons, after, row) => {
    const { form, field } = underair.desk;
    return form("tally", [
      field("set_id", words.set, { required: true, list: "known-sets", maxlength: 40, onchange: fillFromSet }),
      field("wearer_id", words.wearer, { required: true, maxlength: 40 }),
      field("team", words.team, { maxlength: 40 }),
      field("task", words.task, { maxlength: 120 }),
    ], buttons, {
      describe: (values) => underair.fill(values.corrects ? words.tally_correct_what : values.action === "in" ? words.tally_in_what
        : words.tally_out_what, values),
      doubtOf: doubtAboutTally(row), complete: completeTally(row), after,
    });
  };

  const makeAlarm = (item) => {
    const shown = {};
    for (const name of ["alarm", "who", "age", "state"]) shown[name] = make("span", { class: name });
    const seen = make("button", { type: "button", class: "seen", onclick: () => underair.side.see(element.item) }, words.seen);
    const element = make("li", {}, underair.shape(item.a), shown.alarm, seen, shown.who,
      make("span", { class: "since" }, shown.age, shown.state));
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

  const makePrompt = (item) => {
    const number = make("input", { type: "number", name: "pressure_shown", min: 0, max: 8000, required: true,
      "aria-label": underair.fill(words.gauge_what, item) });
    const answer = make("form", { class: "gauge", hidden: !words.may_send, onsubmit: async (event) => {
      event.preventDefault();
      const empty = underair.desk.emptying(answer);
      if (await underair.side.gauge(element.item, number.value)) empty();
    } }, number, make("button", { type: "submit", "aria-label": underair.fill(words.gauge_keep_what, item) }, words.gauge_keep));
    const element = make("li", {}, make("span", { class: "prompt" }), make("span", { class: "age" }), answer);
    element.item = item;
    return element;
  };

  const nameBack = (back, item) => underair.attribute(back, "aria-label", underair.fill(back.dataset.asked == null ? words.out_back_what : words.out_back_again_what, item));
  // Whoever was tallied out, or whose entry was closed, by mistake comes back with entry, figures and all.
  const makeOut = (item) => {
    const back = make("button", { type: "button", class: "back", "aria-live": "assertive", hidden: !words.may_send || !item.ended_by, onclick: async () => {
      if (back.dataset.asked == null) {
        back.dataset.asked = "";
        text(back, words.out_back_again);
        return nameBack(back, element.item);
      }
      const { fields, ended_how, ended_by } = element.item;
      const corrects = underair.desk.correcting(ended_by), what = underair.fill(words.out_back_what, element.item);
      const { service, incident_id, set_id, wearer_id } = fields;
      if (ended_how === "resolved") await underair.desk.send("resolved", { service, incident_id, set_id, wearer_id, text: words.out_back, corrects }, what);
      else await underair.desk.send("tally", { ...fields, action: "in", corrects }, what);
    } }, words.out_back);
    const element = make("li", {}, make("span"), back);
    element.item = item;
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

  // No alarm, order or roll call is hidden without a count: of the list's own box and of the box around it.
  const countHidden = () => {
    const { alarms, above, below, standing } = parts;
    const watch = alarms.closest(".watch");
    const [list, box] = [alarms, watch].map((one) => one.getBoundingClientRect());
    const top = Math.max(list.top, box.top), bottom = Math.min(list.bottom, box.bottom);
    const lines = [...alarms.children].map((one) => one.getBoundingClientRect());
    for (const [button, said, count] of [
      [above, words.alarms_above, lines.filter((one) => one.top < top - CUT_PX).length],
      [below, words.alarms_below, lines.filter((one) => one.bottom > bottom + CUT_PX).length],
    ]) {
      button.hidden = count === 0;
      text(button, underair.fill(said, { count }));
    }
    const edge = Math.min(box.bottom, window.innerHeight) - ORDER_SEEN_PX;
    const hidden = [["orders", words.standing_orders], ["rolls", words.standing_rolls]].map(([name, said]) => ({
      said, lines: [...watch.querySelectorAll(`.${name} > li`)].filter((one) => one.getBoundingClientRect().top > edge),
    })).filter(({ lines }) => lines.length);
    standing.hidden = hidden.length === 0;
    standing.first = hidden[0]?.lines[0];
    const what = hidden.map(({ said, lines }) => underair.fill(said[lines.length === 1 ? 0 : 1], { count: lines.length })).join(", ");
    text(standing, underair.fill(words.standing_below, { what }));
  };
  // A new distress, or whoever does not move, is in sight at once, unless somebody is about to press another line.
  const showNew = (alarms) => {
    const grave = new Set(alarms.filter((one) => one.new && one.grave).map((one) => one.key));
    const came = parts.grave && [...grave].some((key) => !parts.grave.has(key));
    parts.grave = grave;
    if (came && !underair.handOn(parts.alarms)) toTop();
  };
  const toTop = () => {
    parts.alarms.scrollTop = 0;
    parts.alarms.closest(".watch").scrollTop = 0;
  };

  underair.side = {
    build: (given) => {
      words = given;
      parts = {
        alarms: underair.underHand(make("ol", { class: "alarms", tabindex: 0, "aria-label": words.alarms })),
        noAlarms: make("p", { class: "none" }),
        above: make("button", { type: "button", class: "more above", hidden: true, onclick: () => toTop() }),
        below: make("button", { type: "button", class: "more", hidden: true, onclick: () =>
          parts.alarms.scrollBy({ top: parts.alarms.clientHeight - 20 }) }),
        standing: make("button", { type: "button", class: "standing-below", hidden: true, onclick: () => parts.standing.first?.scrollIntoView({ block: "start" }) }),
        teams: make("ol", { class: "teams", tabindex: 0, "aria-label": words.teams }),
        prompts: underair.underHand(make("ol", { class: "prompts", tabindex: 0, "aria-label": words.prompts })),
        notes: make("ol", { class: "notes", tabindex: 0, "aria-label": words.notes }),
        out: make("ol", { class: "came-out", tabindex: 0, "aria-label": words.came_out }),
        sets: make("datalist", { id: "known-sets" }),
      };
      parts.promptSection = section("ask", words.prompts, parts.prompts);
      const { form, field, button, build } = underair.desk;
      const pending = build(words);
      const desk = words.may_send ? [
        underair.desk.serviceLabel,
        underair.desk.whichLabel,
        fold("tally", words.tally, tallyForm([button(words.tally_in, "in"), button(words.tally_out, "out")])),
        fold("order", words.order, underair.orders.form(words)),
        fold("standby", words.standby, underair.orders.standbyForm(words)),
        fold("note", words.note, form("note", [
          field("text", words.note_text, { required: true, rows: 3, maxlength: 2000 }),
          field("set_id", words.note_set, { list: "known-sets", maxlength: 40 }),
        ], [button(words.note_send)], {
          describe: () => words.note_what,
          complete: (values) => ({ ...values, incident_id: underair.desk.incident() }),
        })),
        fold("incident", words.incident_form, form("incident", [
          field("incident_id", words.incident_id, { required: true, maxlength: 40 }),
          field("name", words.incident_name, { maxlength: 120 }),
          field("place", words.incident_place, { maxlength: 120 }),
        ], [button(words.incident_open, "open"), button(words.incident_close, "close")], {
          describe: (values) => underair.fill(values.action === "open" ? words.open_what : words.close_what, values),
          doubtOf: doubtAboutClosing, complete: (values, action) => ({ ...values, action }),
        })),
      ] : [make("p", { class: "none" }, words.read_only)];
      const [orders, rolls] = underair.orders.build(words);
      const watch = make(
        "section", { class: "watch", "aria-label": words.watch },
        pending,
        parts.standing,
        section("alarm-list", words.alarms, parts.noAlarms, parts.above, parts.alarms, parts.below),
        orders,
        rolls,
      );
      for (const box of [parts.alarms, watch]) box.addEventListener("scroll", countHidden);
      window.addEventListener("resize", countHidden);
      const side = make(
        "aside", { class: "side", "aria-label": words.side },
        parts.promptSection,
        (parts.teamSection = section("team-list", words.teams, parts.teams)),
        section("desk", words.desk, ...desk, parts.sets),
        (parts.noteSection = section("note-list", words.notes, parts.notes)),
        (parts.outSection = section("out-list", words.came_out, parts.out)),
      );
      return make("div", { class: "right" }, watch, side);
    },

    tallyForm,
    // The desk has seen it: an alarm of a set by its own message, a state or an order by a note.
    see: (item) => {
      const what = underair.fill(words.seen_what, { alarm: item.alarm, who: item.who });
      const incident_id = item.incident ?? underair.state.data.incidents_of[item.row]?.[0] ?? underair.desk.incident();
      const about = item.service ? { service: item.service } : {};
      if (item.several) {
        for (const one of item.several) underair.desk.send("seen", { ...one, alarm: item.code }, what);
      } else if (item.note && !incident_id) underair.state.seenHere.set(item.key, performance.now());
      else if (item.note) underair.desk.send("note", { incident_id, set_id: item.set_id, text: item.note, ...about }, what);
      else underair.desk.send("seen", { set_id: item.set_id, alarm: item.code, ...about }, what);
    },
    gauge: (item, shown) => underair.desk.send("gauge", {
      incident_id: item.incident ?? underair.desk.incident(), set_id: item.set_id, pressure_shown: Number(shown), service: item.service,
      units: underair.choices.chosen("units"), ...(item.corrects ? { corrects: underair.desk.correcting(item.corrects) } : {}),
    }, underair.fill(words.gauge_what, item)),

    paint: (data) => {
      const shown = (items) => items.filter((one) => underair.filter.shows(one.incident ?? data.incidents_of[one.row]));
      tallied = data.rows.map((row) => row.fields).filter((fields) => fields.wearer_id);
      sets = data.sets;
      // Of every incident, whichever is chosen: nobody's distress is hidden by a choice.
      underair.keyed(parts.alarms, underair.steady(parts.alarms, data.alarms), makeAlarm, paintAlarm);
      parts.noAlarms.hidden = data.alarms.length > 0;
      text(parts.noAlarms, data.no_alarms);
      showNew(data.alarms);
      underair.keyed(parts.teams, shown(data.teams), makeTeam, paintTeam);
      const prompts = shown(data.prompts);
      underair.keyed(parts.prompts, underair.steady(parts.prompts, prompts), makePrompt, (element, item) => {
        element.item = item;
        text(element.children[0], item.text);
        text(element.children[1], item.age);
      });
      const notes = shown(data.notes);
      parts.promptSection.hidden = prompts.length === 0;
      parts.teamSection.hidden = data.teams.length === 0;
      parts.noteSection.hidden = notes.length === 0;
      underair.keyed(
        parts.notes, notes,
        () => make("li", {}, make("time"), make("span", { class: "about" }), make("span", { class: "text" })),
        (element, item) => {
          const [time, about, body] = element.children;
          text(time, item.at);
          text(about, item.about);
          text(body, item.text);
        },
      );
      const out = shown(data.out);
      parts.outSection.hidden = out.length === 0;
      underair.keyed(parts.out, out, makeOut, (element, item) => {
        element.item = item;
        text(element.firstChild, item.text);
        nameBack(element.lastChild, item);
      });
      underair.keyed(parts.sets, data.sets.map((id) => ({ key: id })), (item) => make("option", { value: item.key }), () => {});
      underair.desk.paint(data);
      underair.orders.paint(data, shown);
      countHidden();
    },
  };
})();
