// What can be done with one wearer: opened by a click on the row, over the page, closed by Escape. The rows go on below.
"use strict";
(() => {
  let words, dialog, body, head, state, more, last, key = null, opener = null;
  const { make, text, fill } = underair;
  const press = (label, onclick, attributes = {}) => make("button", { type: "button", onclick, ...attributes }, label);

  const close = () => {
    key = null;
    dialog.close();
    document.querySelector(".row.chosen")?.classList.remove("chosen");
    opener?.focus({ preventScroll: true });
  };

  const quick = (item, data) => {
    const { fields } = item;
    const incident_id = fields.incident_id ?? underair.desk.incident();
    const about = { incident_id, service: fields.service, set_id: fields.set_id };
    const buttons = data.alarms.filter((one) => one.row === item.key && one.new).map((one) =>
      press(`${words.seen}: ${one.alarm}`, () => underair.side.see(one)));
    for (const roll of data.rolls.filter((one) => one.incident === incident_id && fields.wearer_id && [fields.service, ""].includes(one.service))) {
      const say = (answered) => underair.desk.send("roll_call", { incident_id, service: fields.service, roll_id: roll.roll_id, wearer_id: fields.wearer_id,
        state: answered ? "answered" : "missing" }, fill(answered ? words.roll_answered_what : words.roll_missing_what, item));
      buttons.push(press(words.roll_answered, () => say(true)), press(words.roll_missing, () => say(false)));
    }
    const waited = data.orders.filter((one) => one.waiting.includes(item.key));
    for (const order of new Set(waited.map((one) => one.order))) {
      buttons.push(press(words.order_by_voice[order], () => underair.desk.send("note", { ...about, text: words.order_by_voice[order] },
        fill(words.order_by_voice_what, item))));
    }
    if (fields.inside && fields.wearer_id) buttons.unshift(tallyOut(item));
    return buttons;
  };

  // Whoever is still under air is tallied out by a second press only.
  const tallyOut = (item) => {
    const button = press(words.tally_out, async () => {
      const now = underair.state.data.rows.find((one) => one.key === item.key) ?? item; // the newest row, not the one at opening
      const { service, set_id, wearer_id, team, incident_id } = now.fields;
      if (!now.over && button.dataset.asked == null) {
        button.dataset.asked = "";
        text(button, words.tally_out_again);
        return;
      }
      const sent = await underair.desk.send("tally", { service, set_id, wearer_id, team, incident_id, action: "out" },
        fill(words.tally_out_what, { wearer_id, set_id }));
      if (sent) close();
    }, { class: "tally-out" });
    return button;
  };

  const fillIn = (form, fields) => {
    for (const [name, value] of Object.entries(fields)) if (form.elements[name]) form.elements[name].value = value ?? "";
  };

  const forms = (item) => {
    const { form, field, button } = underair.desk;
    const { fields } = item;
    const about = { service: fields.service, set_id: fields.set_id, incident_id: fields.incident_id ?? underair.desk.incident() };
    const complete = (values) => ({ ...values, ...about });
    // Either the wearer changes to what is typed from now on, or the tally was wrong from the start and is replaced.
    const tally = underair.side.tallyForm([button(fields.inside ? words.tally_change : words.tally_in, "in"),
      ...(fields.inside && item.tally ? [button(words.tally_correct, "correct")] : []), button(words.tally_out, "out")], close, item);
    fillIn(tally, fields);
    const gauge = make("form", { class: "send gauge", onsubmit: async (event) => {
      event.preventDefault();
      const { value } = gauge.elements.pressure_shown;
      const corrects = event.submitter?.value === "correct" ? gauge.corrects : null;
      const empty = underair.desk.emptying(gauge);
      if (await underair.side.gauge({ set_id: fields.set_id, incident: about.incident_id, service: fields.service, corrects }, value)) empty();
    } }, field("pressure_shown", fill(words.gauge_label, { unit: words.gauge_units[underair.choices.chosen("units")] }),
      { type: "number", min: 0, max: 8000, required: true }),
    make("div", { class: "buttons" }, button(words.gauge_keep), (last = button("", "correct", { hidden: true }))));
    const note = form("note", [field("text", words.note_text, { required: true, rows: 2, maxlength: 2000 })], [button(words.note_send)],
      { describe: () => words.note_what, complete });
    const alarms = underair.state.data.alarms.filter((one) => one.row === item.key && !one.note);
    const resolve = form("resolved", [field("text", words.resolve_text, { required: true, maxlength: 200 })], [
      ...alarms.map((one) => button(fill(words.resolve_alarm, one), one.code)), ...(fields.inside || fields.lost ? [button(words.resolve_entry, "")] : []),
    ], {
      describe: (values) => fill(words.resolve_what, { ...item, text: values.text }),
      complete: (values, alarm) => ({ ...values, ...about, wearer_id: fields.wearer_id, alarm }),
      after: close,
    });
    const order = form("order", [field("text", words.order_text, { maxlength: 200 })],
      [button(words.order_evacuate, "evacuate"), button(words.order_withdraw, "withdraw")], {
        describe: (values) => fill(words.order_what, { order: words[`order_${values.order}`], whom: item.who, incident_id: about.incident_id }),
        complete: (values, name) => ({ ...values, ...about, order: name, state: "given" }),
        doubtOf: (values) => fill(words.order_confirm, { order: words[`order_${values.order}`], whom: item.who, incident_id: about.incident_id }),
      });
    const folds = [[words.note, note], ...(alarms.length || fields.inside || fields.lost ? [[words.resolve, resolve]] : []),
      ...(fields.inside ? [[words.order_one, order]] : [])];
    if (fields.inside) folds.unshift([words.tally_inside, tally]);
    return [...(fields.inside ? [gauge] : [tally, gauge]), ...folds.map(([title, content]) => make("details", { class: "fold" }, make("summary", {}, title), content))];
  };

  underair.actions = {
    build: (given) => {
      words = given;
      head = make("h2", { id: "h-actions" });
      state = make("p", { class: "state" });
      more = make("p", { class: "more" });
      body = make("div", { class: "body" });
      document.addEventListener("keydown", (event) => { if (event.key === "Escape" && dialog.open) close(); });
      dialog = make("dialog", { class: "actions", "aria-labelledby": "h-actions" },
        make("div", { class: "top-line" }, head, press(words.dismiss, close, { class: "close" })), state, more, body);
      return dialog;
    },
    open: (item, row) => {
      key = item.key;
      opener = row;
      delete body.dataset.wanted; // opened again on the same row, its buttons are made again
      body.replaceChildren(make("div", { class: "quick buttons" }), ...(words.may_send ? forms(item) : [make("p", {}, words.read_only)]));
      underair.actions.paint(underair.state.data);
      if (!dialog.open) dialog.show();
      dialog.scrollTop = 0;
      dialog.querySelector("button").focus({ preventScroll: true });
    },
    paint: (data) => {
      if (key == null) return;
      const item = data.rows.find((one) => one.key === key);
      if (!item) {
        text(state, words.row_gone);
        return;
      }
      text(head, [item.who, item.team, item.sub, item.place].filter(Boolean).join(" · "));
      text(state, [item.state, item.why].filter(Boolean).join(": "));
      text(more, [item.soon, item.hardest].filter(Boolean).join(" · "));
      if (!words.may_send) return;
      if (last) {
        last.hidden = !item.gauge;
        text(last, fill(words.gauge_correct, { gauge: item.aside_gauge }));
        last.form.corrects = item.gauge;
      }
      const wanted = JSON.stringify([data.alarms, data.orders, data.rolls].map((list) => list.map((one) => [one.key, one.new])));
      if (body.dataset.wanted === `${key}${wanted}`) return;
      body.dataset.wanted = `${key}${wanted}`;
      const focused = body.firstElementChild.contains(document.activeElement);
      body.firstElementChild.replaceChildren(...quick(item, data));
      if (focused) dialog.querySelector("button").focus({ preventScroll: true }); // what was pressed may be gone
    },
  };
})();
