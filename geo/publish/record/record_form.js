// The form of one visit: every field writes into the draft and is kept at once.
"use strict";
const recordForm = (function () {
  const FAR_M = 500; // no pipe is so long: a slip in the number, or a sign left out
  const { el, field, moment, choose, several } = recordFields;

  // Nearest 10 ft above 100, as everywhere
  function feet(meters) {
    const value = meters / 0.3048, step = value < 100 ? 1 : 10;
    return `${(Math.round(value / step) * step).toLocaleString("en-US")} ft`;
  }

  function lookAt(item, draft, changed) {
    if (!draft.answers.has(item.key)) draft.answers.set(item.key, {});
    const mine = draft.answers.get(item.key);
    const more = el("div", {});
    function show() {
      more.replaceChildren();
      if (mine.answer === "not_good") {
        more.append(el("p", { className: "hint", textContent: item.departure }), choose("Severity", mine, "severity",
          [["danger", "Dangerous condition"], ["repair", "Repair needed"], ["minor", "Minor"]], changed));
      }
      if (mine.answer) more.append(field("Note", mine, "note", changed));
      if (item.measure) more.append(field(`Measured, ${item.measure}`, mine, "measured", function () {
        mine.unit = item.measure;
        changed();
      }, { inputMode: "decimal" }));
    }
    const box = choose(item.title, mine, "answer",
      [["good", "Good"], ["not_good", "Not good"], ["could_not_see", "Not checked"]], changed, show);
    box.querySelector("legend").after(el("p", { className: "hint", textContent: `Good: ${item.good}` }));
    show();
    box.append(more);
    return box;
  }

  function position(part, words, unit, draft, changed) {
    const mine = draft.places[part] = draft.places[part] || {};
    const said = el("p", { role: "status" });
    function tell(warning) {
      const known = mine.lat === undefined ? "" : `${mine.lat.toFixed(6)}, ${mine.lon.toFixed(6)}`
        + (mine.accuracy_m ? `, give or take ${Math.round(mine.accuracy_m / 0.3048)} ft by the phone` : "");
      said.textContent = [known, warning].filter(Boolean).join(". ");
      said.className = warning ? "warn" : "hint";
    }
    function check() {
      if (mine.lat === undefined) return "";
      const far = places.apart(mine, unit.lid || mine);
      if (far > FAR_M) return `That is ${feet(far)} from the lids on record. Is it right?`;
      const off = unit.parcel.length ? places.outside(mine, unit.parcel) : 0;
      const most = part === "outlet" ? 60 : 2 * (mine.accuracy_m || 10);
      return off > most ? `That is ${feet(off)} outside the parcel on record. Is it right?` : "";
    }
    const typed = field(`Or type latitude, longitude (${words.toLowerCase()})`, mine, "typed", function () {
      const place = places.parse(mine.typed || "");
      delete mine.lat; delete mine.lon; delete mine.accuracy_m;
      if (place) Object.assign(mine, place, { basis: "unknown" });
      tell(mine.typed && !place ? "That is not a position. Type it like this: 39.70123, -85.80123" : check());
      changed();
    });
    const take = el("button", { type: "button", textContent: `Use this phone's location for the ${words.toLowerCase()}` });
    take.addEventListener("click", function () {
      places.now().then(function (fix) {
        Object.assign(mine, fix, { basis: "phone", typed: "" });
        tell(check());
        changed();
      }, (error) => tell(error.message));
    });
    tell(check());
    return el("fieldset", {}, el("legend", { textContent: words }), take, typed, said);
  }

  function photosOf(draft, kept) {
    const list = el("div", {});
    const input = el("input", { type: "file", autocomplete: "off", accept: "image/*", multiple: true, id: recordFields.newName() });
    function show() {
      list.replaceChildren(...draft.photos.map((photo, k) => el("div", {},
        el("img", { className: "photo", src: `data:image/jpeg;base64,${keeping.photo(photo.id)}`, alt: `Photo ${k + 1}` }),
        field("What it shows", photo, "note", kept.changed),
        el("button", { type: "button", textContent: "Delete", on: { click() { draft.photos.splice(k, 1); show(); kept.dropped(photo); } } }))));
    }
    input.addEventListener("change", async function () {
      for (const file of input.files) {
        try {
          await kept.taken(draft, await photos.small(file));
        } catch (error) {
          kept.lost(error.message);
        }
        show();
      }
      input.value = "";
    });
    show();
    return el("fieldset", {}, el("legend", { textContent: "Photos" }),
      el("label", { htmlFor: input.id, textContent: "Add photos (saved small, without camera data)" }), input, list);
  }

  // `kept` is told of changes and photos; see record_page.js
  function build(unit, draft, data, kept) {
    const { changed } = kept;
    const items = data.items.filter((item) => unit.items.includes(item.key));
    const measured = [["DO", "mg/L"], ["pH", "pH"], ["turbidity", "NTU"], ["chlorine", "mg/L"], ["sludge depth", "in"]];
    return [
      field("Visited by", draft, "by", changed),
      field("Date of visit", draft, "day", changed, { type: "date" }),
      choose("Outcome", draft, "outcome", data.outcomes, changed),
      el("h2", { textContent: "Checklist" }),
      ...items.map((item) => lookAt(item, draft, changed)),
      el("h2", { textContent: "Discharge" }),
      choose("Flow", draft.running_out, "flow", [["none", "None"], ["trickle", "Trickle"], ["steady", "Steady"], ["surfacing", "Surfacing elsewhere"]], changed),
      el("p", { className: "hint", textContent: data.little_flow }),
      field("Appearance", draft.running_out, "look", changed),
      field("Smell", draft.running_out, "smell", changed),
      several("Measurements", "measurement", draft.measured, () => ({ what: "", value: "", unit: "", qualifier: "", instrument: "" }), (row) => [
        field("What was measured (DO, pH, turbidity, chlorine, sludge depth ...)", row, "what", function () {
          const known = measured.find(([what]) => what.toLowerCase() === row.what.trim().toLowerCase());
          if (known && !row.unit) row.unit = known[1];
          changed();
        }),
        el("div", { className: "pair" },
          field("Value", row, "value", changed, { inputMode: "decimal" }), field("Unit", row, "unit", changed)),
        choose("Reading", row, "qualifier", [["", "as shown"], ["<", "less than"], [">", "more than"], ["no_flow", "no flow"]], changed),
        field("Instrument", row, "instrument", changed),
      ], changed),
      several("Samples", "sample", draft.samples, () => ({ number: "", point: "", taken_at: new Date().toISOString(), laboratory: "" }), (row) => [
        field("Sample number", row, "number", changed), field("Sampling point", row, "point", changed),
        moment("Taken at", row, "taken_at", changed),
        choose("On ice", row, "on_ice", [["yes", "Yes"], ["no", "No"]], changed),
        field("Laboratory", row, "laboratory", changed),
      ], changed),
      el("h2", { textContent: "Positions" }),
      position("lid", "Lids", unit, draft, changed),
      position("outlet", "Discharge point", unit, draft, changed),
      several("Distances measured by tape", "distance", draft.taped, () => ({ part: "tank", feature: "wells", feature_id: "", feet: "" }), (row) => [
        choose("From", row, "part", [["tank", "Lids"], ["discharge_point", "Discharge point"]], changed),
        choose("To", row, "feature", [["wells", "Well"], ["streams", "Stream"], ["buildings", "Building"], ["parcels", "Lot line"]], changed),
        field("Its ID, if it has one", row, "feature_id", changed),
        field("Feet", row, "feet", changed, { inputMode: "decimal" }),
      ], changed),
      photosOf(draft, kept),
      field("Note", draft, "note", changed, { rows: 4 }),
    ];
  }

  return { build };
})();
