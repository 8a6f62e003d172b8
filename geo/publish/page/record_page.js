// The list of a day's visits, one form a visit, and the day file that goes to the office.
"use strict";
(async function () {
  const data = JSON.parse(document.getElementById("data").textContent);
  const { el } = recordForm;
  const main = document.getElementById("main"), stateLine = document.getElementById("state");
  const key = `record:${data.county}`;
  document.getElementById("county").textContent = `${data.county} · staff only`;

  await keeping.open(key);
  const state = Object.assign({ saved: 0, by: "", visits: {}, done: [] }, await keeping.read());

  function lost(words) {
    stateLine.textContent = words;
    stateLine.className = "lost";
  }

  function changed() {
    state.saved += 1;
    keeping.write(state).then(function (words) {
      if (words) lost(words);
      else {
        stateLine.className = "";
        stateLine.textContent = "Kept on this phone. Export at the end of the day.";
      }
    });
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

  function draftOf(unitId) {
    if (!state.visits[unitId]) {
      state.visits[unitId] = {
        record_id: newId(), at: new Date().toISOString(), day: today(), outcome: "", answers: {},
        running_out: {}, measured: [], samples: [], places: {}, taped: [], photos: [], note: "",
      };
    }
    return state.visits[unitId];
  }

  // ------------------------------------------------------------------------------ what is exported

  function number(text) {
    const value = String(text ?? "").trim().replace(",", ".");
    return value !== "" && Number.isFinite(Number(value)) ? Number(value) : null;
  }

  function filled(object) {
    return Object.fromEntries(Object.entries(object).filter(([, value]) => value !== "" && value !== undefined && value !== null));
  }

  // The record of a draft, and what of it cannot be used
  function recordOf(unit, draft) {
    const problems = [], titles = Object.fromEntries(data.items.map((item) => [item.key, item]));
    const answered = Object.entries(draft.answers).filter(([, a]) => a.answer);
    const measured = [];
    for (const [item, a] of Object.entries(draft.answers)) {
      if (a.answer === "not_good" && !a.severity) problems.push(`${titles[item].title}: say how bad it is`);
      if (a.measured && number(a.measured) === null) problems.push(`${titles[item].title}: "${a.measured}" is no number`);
      else if (a.measured) measured.push({ what: item, value: number(a.measured), unit: titles[item].measure });
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
    const positions = Object.entries(draft.places).filter(([, p]) => p.lat !== undefined).map(([part, p]) =>
      filled({ part, lat: p.lat, lon: p.lon, accuracy_m: p.accuracy_m, basis: p.basis }));
    const record = {
      kind: "visit", record_id: draft.record_id, county: data.county, unit_id: unit.unit_id, at: draft.at, by: state.by.trim(), day: draft.day,
      outcome: draft.outcome, note: draft.note,
      answers: answered.map(([item, a]) => filled({ item, answer: a.answer, note: a.note })),
      findings: answered.filter(([, a]) => a.answer === "not_good" && a.severity).map(([item, a]) => filled({ item: titles[item].title, severity: a.severity, note: a.note })),
      running_out: Object.keys(filled(draft.running_out)).length ? filled(draft.running_out) : undefined,
      measured, positions, taped,
      samples: draft.samples.filter((s) => s.number).map((s) => filled({ ...s, on_ice: s.on_ice ? s.on_ice === "yes" : undefined })),
      photos: draft.photos.map(filled),
    };
    for (const name of ["answers", "findings", "measured", "positions", "taped", "samples", "photos"]) if (!record[name].length) delete record[name];
    if (!record.note) delete record.note;
    return { record, problems };
  }

  function exported() {
    const days = {}, waiting = [];
    for (const unit of data.units) {
      const draft = state.visits[unit.unit_id];
      if (!draft) continue;
      const { record, problems } = recordOf(unit, draft);
      if (problems.length) waiting.push(`${unit.unit_id}: ${problems.join("; ")}`);
      else (days[draft.day] = days[draft.day] || []).push(record);
    }
    for (const { day, record } of state.done) (days[day] = days[day] || []).push(record);
    return { days, waiting };
  }

  function exportDays() {
    if (!state.by.trim()) {
      lost("Say who you are first.");
      return;
    }
    const { days, waiting } = exported();
    for (const [day, records] of Object.entries(days)) {
      const content = dayFile.make(data.county, day, state.by.trim(), records);
      const link = el("a", { href: URL.createObjectURL(new Blob([content], { type: "application/json" })), download: dayFile.name(day, state.by.trim()) });
      link.click();
      setTimeout(() => URL.revokeObjectURL(link.href), 10000);
      for (const record of records) {
        const draft = state.visits[record.unit_id];
        if (draft && draft.record_id === record.record_id) draft.sealed = true;
      }
    }
    changed();
    const count = Object.values(days).flat().length;
    showList(count ? `${count} record${count === 1 ? "" : "s"} exported. Bring the file to the office: rillmark record.` : "Nothing is ready to export.", waiting);
  }

  // A visit that was exported stays as it was: correcting it writes a new one and withdraws the old
  function correct(unit) {
    const old = state.visits[unit.unit_id];
    const { record } = recordOf(unit, old);
    const word = {
      kind: "withdrawal", record_id: newId(), county: data.county, at: new Date().toISOString(),
      by: state.by.trim(), of: old.record_id, reason: "corrected by a later record",
    };
    state.done.push({ day: old.day, record }, { day: old.day, record: word });
    state.visits[unit.unit_id] = Object.assign(JSON.parse(JSON.stringify(old)), { record_id: newId(), at: new Date().toISOString(), sealed: false });
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
    const { problems } = recordOf(unit, draft);
    return problems.length ? "begun" : "ready to export";
  }

  function showList(said, waiting) {
    const list = data.units.map((unit) => el("button", {
      type: "button", on: { click: () => showVisit(unit) },
    }, `${unit.unit_id}${unit.address ? `, ${unit.address}` : ""} `, el("span", { className: "done", textContent: `(${status(unit)})` })));
    const notes = (waiting || []).map((words) => el("p", { className: "warn", textContent: `Not exported: ${words}` }));
    show(
      recordForm.field("Who you are", state, "by", changed),
      said ? el("p", { role: "status", textContent: said }) : null, ...notes,
      el("h2", { textContent: "Visits" }), ...list,
      el("button", { type: "button", className: "main", textContent: "Export the day", on: { click: exportDays } }),
      el("p", { className: "hint", textContent: data.last }));
  }

  function showVisit(unit) {
    const back = () => el("button", { type: "button", textContent: "Back to the list", on: { click: () => showList() } });
    const head = [
      el("h2", { textContent: `Unit ${unit.unit_id}` }), unit.address ? el("p", { textContent: unit.address }) : null,
      el("p", { textContent: unit.walk }), el("p", {}, el("a", { className: "button", href: unit.geo_uri, textContent: "Open in a map" })),
      el("ul", {}, ...data.cautions.map((line) => el("li", { textContent: line }))),
    ];
    const draft = state.visits[unit.unit_id];
    if (draft && draft.sealed) {
      show(back(), ...head, el("p", { className: "warn", textContent: "This visit was exported and stays as it is." }),
        el("button", { type: "button", textContent: "Correct it with a new record", on: { click: () => correct(unit) } }));
      return;
    }
    show(back(), ...head, ...recordForm.build(unit, draftOf(unit.unit_id), data, changed, lost),
      el("p", { className: "warn", textContent: data.last }), back());
  }

  showList();
  changed();
})();
