// The list of a day's visits, one form a visit, and the day file that goes to the office.
"use strict";
(async function () {
  const data = JSON.parse(document.getElementById("data").textContent);
  const { el } = recordForm;
  const main = document.getElementById("main"), stateLine = document.getElementById("state");
  const key = `record:${data.county}`;
  document.getElementById("county").textContent = `${data.county} · staff only`;

  await keeping.open(key, newId());
  const state = Object.assign({ saved: 0, by: "", visits: {}, done: [] }, await keeping.read());

  function lost(words) {
    stateLine.textContent = words;
    stateLine.className = "lost";
  }

  function told(words) {
    main.inert = keeping.isElsewhere();
    if (words) lost(words);
    else {
      stateLine.className = "";
      stateLine.textContent = "Kept on this phone. Export at the end of the day.";
    }
  }

  function changed() {
    state.saved += 1;
    keeping.write(state).then(told);
  }

  async function taken(draft, jpeg) {
    const photo = { id: newId(), name: `photo-${draft.photos.length + 1}.jpg`, note: "" };
    const exported = { visits: Object.values(state.visits).filter((each) => each.sealed), done: state.done };
    const words = keeping.keepPhoto(photo.id, jpeg, keeping.photosOf(exported));
    draft.photos.push(photo);
    state.saved += 1;
    await keeping.write(state).then(async (other) => told(other || await words));
  }

  // A corrected visit shares its photos with the record it withdraws: they go with the last of them
  function dropped(...photos) {
    const kept = new Set(keeping.photosOf(state).map((photo) => photo.id));
    for (const photo of photos) if (!kept.has(photo.id)) keeping.dropPhoto(photo.id);
    changed();
  }

  function today() {
    const now = new Date();
    return new Date(now.getTime() - now.getTimezoneOffset() * 60000).toISOString().slice(0, 10);
  }

  // Pages opened from a file may have no crypto.randomUUID
  function newId() {
    const bytes = crypto.getRandomValues(new Uint8Array(16));
    return Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");
  }

  function draftOf(unit) {
    if (!state.visits[unit.unit_id]) {
      state.visits[unit.unit_id] = {
        record_id: newId(), at: new Date().toISOString(), by: state.by.trim(), day: today(), outcome: "", answers: {},
        running_out: {}, measured: [], samples: [], places: {}, taped: [], photos: [], note: "",
        by_lot: unit.by_lot,
      };
    }
    return state.visits[unit.unit_id];
  }

  // ------------------------------------------------------------------------------ what is exported

  function number(text) {
    const value = String(text ?? "").trim().replace(",", ".");
    return value !== "" && Number.isFinite(Number(value)) ? Number(value) : null;
  }

  function filled(object) {
    return Object.fromEntries(Object.entries(object).filter(([, value]) => value !== "" && value !== undefined && value !== null));
  }

  const PARTS = { lid: "lids", outlet: "outlet" };
  const whoOf = (draft) => (draft.by || "").trim() || state.by.trim();

  // The record of a draft, and what of it cannot be used
  function recordOf(unitId, draft) {
    const problems = [], listed = Object.fromEntries(data.items.map((item) => [item.key, item]));
    const titleOf = (item) => (listed[item] ? listed[item].title : item); // of an earlier list, perhaps
    const answered = Object.entries(draft.answers).filter(([, a]) => a.answer);
    const measured = [];
    for (const [item, a] of Object.entries(draft.answers)) {
      if (a.answer === "not_good" && !a.severity) problems.push(`${titleOf(item)}: say how bad it is`);
      if (a.measured && number(a.measured) === null) problems.push(`${titleOf(item)}: "${a.measured}" is no number`);
      else if (a.measured) measured.push({ what: item, value: number(a.measured), unit: a.unit });
    }
    for (const row of draft.measured) {
      if (!row.what && !row.value) continue;
      const value = row.qualifier === "no_flow" ? null : number(row.value);
      if (!row.what || !row.unit || (value === null && row.qualifier !== "no_flow")) problems.push(`Measured value "${row.what}": give what, a number and its unit`);
      else measured.push(filled({ ...row, value }));
    }
    const taped = [];
    for (const row of draft.taped) {
      const feet = number(row.feet);
      if (feet === null || feet < 0) problems.push("A taped distance has no number of feet");
      else taped.push(filled({ part: row.part, feature: row.feature, feature_id: row.feature_id, distance_m: Math.round(feet * 304.8) / 1000 }));
    }
    for (const row of draft.samples) if (!row.number) problems.push("A sample has no number");
    if (!draft.outcome) problems.push("no outcome is chosen");
    if (!whoOf(draft)) problems.push("say who made the visit");
    for (const [part, place] of Object.entries(draft.places)) {
      if (place.typed && place.lat === undefined) problems.push(`place of the ${PARTS[part]}: "${place.typed}" is no place; mend it or clear it`);
    }
    const positions = Object.entries(draft.places).filter(([, p]) => p.lat !== undefined).map(([part, p]) =>
      filled({ part, lat: p.lat, lon: p.lon, accuracy_m: p.accuracy_m, basis: p.basis }));
    const record = {
      kind: "visit", record_id: draft.record_id, county: data.county, unit_id: unitId, at: draft.at, by: whoOf(draft), day: draft.day,
      outcome: draft.outcome, note: draft.note, by_lot: draft.by_lot || undefined,
      answers: answered.map(([item, a]) => filled({ item, answer: a.answer, note: a.note })),
      findings: answered.filter(([, a]) => a.answer === "not_good" && a.severity).map(([item, a]) => filled({ item: titleOf(item), severity: a.severity, note: a.note })),
      running_out: Object.keys(filled(draft.running_out)).length ? filled(draft.running_out) : undefined,
      measured, positions, taped,
      samples: draft.samples.filter((s) => s.number).map((s) => filled({ ...s, on_ice: s.on_ice ? s.on_ice === "yes" : undefined })),
      photos: draft.photos.map(filled),
    };
    for (const name of ["answers", "findings", "measured", "positions", "taped", "samples", "photos"]) if (!record[name].length) delete record[name];
    if (!record.note) delete record.note;
    return { record, problems };
  }

  // What there is for each day and person: one file each, whole whenever it is exported
  function files() {
    const found = new Map(), waiting = [];
    function add(record, day, holder) {
      const key = `${day} ${record.by}`;
      if (!found.has(key)) found.set(key, { day, by: record.by, records: [], holders: [] });
      found.get(key).records.push(record);
      found.get(key).holders.push(holder);
    }
    for (const [unitId, draft] of Object.entries(state.visits)) {
      const { record, problems } = draft.sealed || recordOf(unitId, draft);
      if (problems.length) waiting.push(`${unitId}: ${problems.join("; ")}`);
      else add(record, draft.day, draft);
    }
    for (const each of state.done) add(each.record, each.day, each);
    return { found: [...found.values()].sort((a, b) => (a.day + a.by < b.day + b.by ? -1 : 1)), waiting };
  }

  const isExported = (file) => file.holders.every((holder) => holder.sealed);

  // The photos of a record as the day file has them; one that neither copy gives back is said
  function whole(record, gone) {
    if (!record.photos) return record;
    const photos = record.photos.map((photo) => ({ name: photo.name, note: photo.note, jpeg: keeping.photo(photo.id) }));
    for (const photo of photos) if (!photo.jpeg) gone.push(`${record.unit_id}: ${photo.name} was lost on this phone; the rest of the visit is exported`);
    const kept = photos.filter((photo) => photo.jpeg);
    return { ...record, photos: kept.length ? kept : undefined };
  }

  function exportFile(file, gone) {
    const content = dayFile.make(data.county, file.day, file.by, file.records.map((record) => whole(record, gone)));
    const link = el("a", { href: URL.createObjectURL(new Blob([content], { type: "application/json" })), download: dayFile.name(file.day, file.by) });
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
    // kept as it went out: who takes the phone next, or another list, does not change it
    file.holders.forEach((holder, k) => { holder.sealed = { record: file.records[k], problems: [] }; });
  }

  // What is new; where nothing is, the last day once more
  function exportDays() {
    const { found, waiting } = files(), gone = [];
    const fresh = found.filter((file) => !isExported(file));
    const chosen = fresh.length ? fresh : found.slice(-1);
    for (const file of chosen) exportFile(file, gone);
    changed();
    const count = chosen.reduce((sum, file) => sum + file.records.length, 0);
    const lines = [...waiting.map((words) => `Not exported: ${words}`), ...gone];
    showList(count ? `${count} record${count === 1 ? "" : "s"} exported. Bring the file to the office: rillmark record.` : "Nothing is ready to export.", lines);
  }

  function takeOff(file) {
    state.done = state.done.filter((each) => !file.holders.includes(each));
    for (const [unitId, draft] of Object.entries(state.visits)) if (file.holders.includes(draft)) delete state.visits[unitId];
    dropped(...file.records.flatMap((record) => record.photos || []));
    showList(`The visits of ${file.day} by ${file.by} are no longer on this phone.`);
  }

  // A visit that was exported stays as it was: another begins beside it, and may take its place
  function setAside(unitId) {
    const old = state.visits[unitId];
    state.done.push({ day: old.day, record: old.sealed.record, sealed: old.sealed });
    delete state.visits[unitId];
    return old;
  }

  function another(unit) {
    setAside(unit.unit_id);
    changed();
    showVisit(unit);
  }

  // Correcting it writes a new one and withdraws the old
  function correct(unit) {
    const old = setAside(unit.unit_id);
    const word = {
      kind: "withdrawal", record_id: newId(), county: data.county, at: new Date().toISOString(),
      by: state.by.trim() || whoOf(old), of: old.record_id, reason: "corrected by a later record",
    };
    state.done.push({ day: old.day, record: word });
    state.visits[unit.unit_id] = Object.assign(JSON.parse(JSON.stringify(old)), { record_id: newId(), at: new Date().toISOString(), sealed: undefined });
    changed();
    showVisit(unit);
  }

  // -------------------------------------------------------------------------------------- views

  function show(...nodes) {
    main.replaceChildren(...nodes.filter((node) => node !== null));
    window.scrollTo(0, 0);
    main.focus({ preventScroll: true });
  }

  function status(unit) {
    const draft = state.visits[unit.unit_id];
    if (!draft) return "not begun";
    if (draft.sealed) return "exported";
    return recordOf(unit.unit_id, draft).problems.length ? "begun" : "ready to export";
  }

  // Visits begun on the page of another day: nothing of them is lost because the list is another
  function leftOver() {
    const listed = new Set(data.units.map((unit) => unit.unit_id));
    return Object.keys(state.visits).filter((unitId) => !listed.has(unitId) && !state.visits[unitId].sealed)
      .map((unitId) => ({ unit_id: unitId, address: "", walk: "", geo_uri: "", parcel: [], lid: null, items: data.items.map((item) => item.key) }));
  }

  function buttons(units) {
    return units.map((unit) => el("button", {
      type: "button", on: { click: () => showVisit(unit) },
    }, `${unit.unit_id}${unit.address ? `, ${unit.address}` : ""} `, el("span", { className: "done", textContent: `(${status(unit)})` })));
  }

  function exportedDay(file) {
    const count = file.records.filter((record) => record.kind === "visit").length;
    const words = `${file.day}, ${file.by}: ${count} visit${count === 1 ? "" : "s"}`;
    const off = el("button", { type: "button", textContent: "Take off this phone" });
    off.addEventListener("click", function () {
      if (off.dataset.sure) takeOff(file);
      off.dataset.sure = "yes";
      off.textContent = "Tap again to take it off: only once the office has read the file in";
    });
    const again = el("button", { type: "button", textContent: "Export again", on: { click: function () {
      const gone = [];
      exportFile(file, gone);
      showList(`${words} exported again.`, gone);
    } } });
    return el("fieldset", {}, el("legend", { textContent: words }), again, off);
  }

  function showList(said, lines) {
    const left = leftOver(), past = files().found.filter(isExported);
    show(
      recordForm.field("Who you are", state, "by", changed),
      said ? el("p", { role: "status", textContent: said }) : null,
      ...(lines || []).map((words) => el("p", { className: "warn", textContent: words })),
      el("h2", { textContent: "Visits" }), ...buttons(data.units),
      left.length ? el("h2", { textContent: "Begun on an earlier list" }) : null, ...buttons(left),
      el("button", { type: "button", className: "main", textContent: "Export the day", on: { click: exportDays } }),
      el("p", { className: "hint", textContent: data.last }),
      past.length ? el("h2", { textContent: "Exported" }) : null, ...past.map(exportedDay));
  }

  function showVisit(unit) {
    const back = () => el("button", { type: "button", textContent: "Back to the list", on: { click: () => showList() } });
    const head = [
      el("h2", { textContent: `Unit ${unit.unit_id}` }), unit.address ? el("p", { textContent: unit.address }) : null,
      unit.walk ? el("p", { textContent: unit.walk }) : null,
      unit.geo_uri ? el("p", {}, el("a", { className: "button", href: unit.geo_uri, textContent: "Open in a map" })) : null,
      el("ul", {}, ...data.cautions.map((line) => el("li", { textContent: line }))),
    ];
    const draft = state.visits[unit.unit_id];
    if (draft && draft.sealed) {
      show(back(), ...head, el("p", { className: "warn", textContent: `The visit of ${draft.day} was exported and stays as it is.` }),
        el("button", { type: "button", textContent: "Another visit to this unit", on: { click: () => another(unit) } }),
        el("button", { type: "button", textContent: "Correct it with a new record", on: { click: () => correct(unit) } }));
      return;
    }
    show(back(), ...head, ...recordForm.build(unit, draftOf(unit), data, { changed, taken, dropped, lost }),
      el("p", { className: "warn", textContent: data.last }), back());
  }

  showList();
  changed();
})();
