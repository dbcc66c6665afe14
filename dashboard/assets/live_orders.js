// Orders, roll calls, emergency teams, and what two desks say differently: one line each, with what can be done.
"use strict";
(() => {
  const ANSWERING_MS = 5000; // whoever has answered keeps their place for so long after the last touch
  let words, parts, dismissed = new Set(), teams = [];
  const { make, text, fill } = underair;
  const press = (label, onclick, attributes = {}) => make("button", { type: "button", onclick, ...attributes }, label);
  const send = (kind, fields, what) => underair.desk.send(kind, fields, what);

  // No name breaks at its hyphen.
  const whole = (element, said) => {
    if (element.textContent === said) return;
    element.replaceChildren(...said.split(/(\S*-\S*)/).map((part, place) => (place % 2 ? make("span", { class: "whole" }, part) : part)));
  };

  const makeOrder = (item) => {
    const lift = press(words.order_lift, async () => {
      const { incident, service, order, team, set_id } = element.item;
      const about = { incident_id: incident, service, order, team, set_id };
      const sent = await send("order", { ...about, state: "lifted" }, fill(words.order_lift_what, element.item));
      if (sent) document.querySelector(".row[tabindex='0']")?.focus({ preventScroll: true }); // the button goes
    });
    const seen = press(words.seen, () => underair.side.see({ ...element.item, who: element.item.text }), { class: "seen" });
    const element = make("li", {}, underair.shape("not_accounted"), make("span", { class: "said" }),
      make("span", { class: "buttons" }, seen, lift), make("span", { class: "who" }));
    Object.assign(element, { item, seen, lift });
    return element;
  };
  const paintOrder = (element, item) => {
    element.item = item;
    underair.reshape(element.children[0], item.late ? "distress" : "other_alarm");
    underair.attribute(element, "data-a", item.late ? "distress" : "other_alarm");
    text(element.children[1], item.text);
    whole(element.children[3], item.who);
    element.seen.hidden = !item.new || !words.may_send;
    element.lift.hidden = !item.own || !words.may_send;
  };

  const answer = (roll, fields) => send("roll_call", { incident_id: roll.incident, service: roll.service, roll_id: roll.roll_id, ...fields },
    fill(fields.state === "answered" ? words.roll_answered_what : words.roll_missing_what, { who: fields.wearer_id ?? fields.team }));
  const makeRoll = (item) => {
    const names = underair.underHand(make("ol", { class: "names" }));
    const close = press(words.roll_close, () => send("roll_call",
      { incident_id: element.item.incident, service: element.item.service, roll_id: element.item.roll_id, state: "closed" }, words.roll_close_what));
    const element = make("li", {}, make("div", { class: "said" }), names, close);
    Object.assign(element, { item, names, shut: close });
    return element;
  };
  const makeName = (roll) => (one) => {
    const element = make("li", {}, make("span", { class: "who" }), make("span", { class: "answer" }),
      press(words.roll_answered, () => answer(roll.item, { state: "answered", [element.one.what]: element.one.name }), { class: "answered" }),
      press(words.roll_missing, () => answer(roll.item, { state: "missing", [element.one.what]: element.one.name }), { class: "missing" }));
    element.one = one;
    return element;
  };
  const paintRoll = (element, item) => {
    element.item = item;
    text(element.children[0], item.text);
    element.shut.hidden = !words.may_send;
    underair.keyed(element.names, underair.steady(element.names, item.answers, ANSWERING_MS, Infinity), makeName(element), (line, one) => {
      line.one = one;
      const [who, state, answered, missing] = line.children;
      text(who, one.who);
      text(state, one.state);
      underair.attribute(line, "data-state", one.code);
      answered.hidden = one.code === "answered" || !one.what || !words.may_send;
      missing.hidden = one.code === "missing" || !one.what || !words.may_send;
      underair.attribute(answered, "aria-label", fill(words.roll_answered_what, one));
      underair.attribute(missing, "aria-label", fill(words.roll_missing_what, one));
    });
  };

  underair.orders = {
    build: (given) => {
      words = given;
      parts = {
        differ: make("ol", { class: "differ" }),
        orders: make("ol", { class: "orders" }),
        rolls: make("ol", { class: "rolls" }),
      };
      return [make("div", { class: "standing" }, parts.differ, parts.orders), make("div", { class: "standing" }, parts.rolls)];
    },

    // One press, one confirmation: the second press of the same order sends it.
    form: (given) => {
      words = given;
      const whom = make("select", { name: "team", id: "order-team" });
      const { form, field, button } = underair.desk;
      parts ??= {};
      const element = form("order", [
        make("label", { class: "f-team", for: "order-team" }, words.order_whom, whom),
        field("text", words.order_text, { maxlength: 200 }),
      ], [button(words.order_evacuate, "evacuate"), button(words.order_withdraw, "withdraw")], {
        describe: (values) => fill(words.order_what, { order: words[`order_${values.order}`], whom: values.team || words.order_all, incident_id: values.incident_id }),
        complete: (values, order) => ({ ...values, order, state: "given", incident_id: underair.desk.incident() }),
        doubtOf: (values) => fill(words.order_confirm, {
          order: words[`order_${values.order}`], whom: values.team || words.order_all, incident_id: values.incident_id,
        }),
      });
      const roll = press(words.roll_call, () => {
        const incident_id = underair.desk.incident();
        const fields = { incident_id, roll_id: `R-${Math.round(underair.state.data.now)}`, state: "called" };
        return send("roll_call", fields, fill(words.roll_call_what, { incident_id }));
      }, { class: "roll" });
      underair.orders.whom = whom;
      return make("div", {}, element, roll);
    },

    standbyForm: (given) => {
      words = given;
      const { form, field, button } = underair.desk;
      return form("standby", [field("team", words.team, { required: true, maxlength: 40 }), field("text", words.order_text, { maxlength: 120 })],
        [button(words.standby_ready, "ready"), button(words.standby_committed, "committed"), button(words.standby_down, "stood_down")], {
          describe: (values) => fill(words.standby_what, { team: values.team, state: words[`standby_${values.state === "stood_down" ? "down" : values.state}`] }),
          complete: (values, state) => ({ ...values, state, incident_id: underair.desk.incident() }),
        });
    },

    paint: (data, shown) => {
      underair.keyed(parts.orders, shown(data.orders), makeOrder, paintOrder);
      underair.keyed(parts.rolls, shown(data.rolls), makeRoll, paintRoll);
      underair.keyed(
        parts.differ, shown(data.contradictions).filter((one) => !dismissed.has(one.key)),
        (item) => make("li", {}, make("span", { class: "said" }, item.text), press(words.dismiss, () => {
          dismissed.add(item.key);
          underair.side.paint(underair.state.data);
        })),
        () => {},
      );
      const known = data.teams.filter((one) => one.incident === underair.desk.incident()).map((one) => ({ id: one.team, text: one.name }));
      teams = [{ id: "", text: words.order_all }, ...known];
      if (underair.orders.whom) underair.options(underair.orders.whom, teams);
    },
  };
})();
