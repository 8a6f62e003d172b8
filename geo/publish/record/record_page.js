// The list of a day's visits, and one form a visit.
"use strict";
(async function () {
  const data = JSON.parse(document.getElementById("data").textContent);
  const { el } = recordFields;
  const main = document.getElementById("main"), stateLine = document.getElementById("state");
  document.getElementById("county").textContent = `${data.county} · ${data.staff_only} ${data.screening}`;
  if (window.top !== window) { // shown inside another page, it would take the drafts over
    lost("Open this page in its own window.");
    return;
  }
  const { state, notices } = await opening.begin(data, recordState.newId());
  const { whoOf, recordOf, files, exportFile } = recordExport.make(data, state), { isExported } = recordExport;

  function lost(words) {
    stateLine.textContent = words;
    stateLine.className = "lost";
  }

  let last = ""; // what the last write came to
  function told(words) {
    if (typeof words === "string") last = words;
    main.inert = keeping.isElsewhere();
    const trouble = keeping.isElsewhere() ? keeping.ELSEWHERE : watching.alarm() || last;
    if (trouble) {lost(trouble);}
    else {
      stateLine.className = "";
      stateLine.textContent = "Saved only on this phone. Export today.";
    }
  }

  // The first store can be read again that was held when the page opened
  async function heard(what) {
    told();
    const found = what === "back" ? await keeping.readHeld() : null;
    if (!found) return;
    recordState.merge(state, found);
    notices.push(opening.BACK);
    changed();
    if (!main.querySelector("textarea")) showList();
  }

  function changed() {
    state.saved += 1;
    keeping.write(state).then(told);
  }

  async function taken(draft, jpeg) {
    const photo = { id: recordState.newId(), name: `photo-${draft.photos.length + 1}.jpg`, note: "" };
    const exported = { visits: new Map([...state.visits].filter(([, each]) => each.sealed)), done: state.done };
    const words = keeping.keepPhoto(photo.id, jpeg, recordState.photosOf(exported));
    draft.photos.push(photo);
    state.saved += 1;
    await keeping.write(state).then(async (other) => told(other || await words));
  }

  // A corrected visit shares its photos with the record it withdraws: they go with the last of them
  function dropped(...photos) {
    const kept = new Set(recordState.photosOf(state).map((photo) => photo.id));
    for (const photo of photos) if (!kept.has(photo.id)) keeping.dropPhoto(photo.id);
    changed();
  }

  const isAllExported = ({ found, waiting } = files()) => found.length > 0 && !waiting.length && found.every(isExported);

  // What is new; where nothing is, the last day once more
  function exportDays() {
    const { found, waiting } = files(), gone = [];
    const fresh = found.filter((file) => !isExported(file));
    const chosen = fresh.length ? fresh : found.slice(-1);
    for (const file of chosen) exportFile(file, gone);
    watching.settle();
    changed();
    const count = chosen.reduce((sum, file) => sum + file.records.length, 0);
    const lines = [...waiting, ...gone];
    showList(count ? `${count} record${count === 1 ? "" : "s"} exported. Bring the file to the office. There, run: rillmark record` : "Nothing is ready to export.", lines);
  }

  function takeOff(file) {
    state.done = state.done.filter((each) => !file.holders.includes(each));
    for (const [unitId, draft] of state.visits) if (file.holders.includes(draft)) state.visits.delete(unitId);
    dropped(...file.records.flatMap((record) => record.photos || []));
    showList(`The visits of ${file.day} by ${file.by} were deleted from this phone.`);
  }

  // A visit that was exported stays as it was: another begins beside it, and may take its place
  function setAside(unitId) {
    const old = state.visits.get(unitId);
    state.done.push({ day: old.day, record: old.sealed.record, sealed: old.sealed });
    state.visits.delete(unitId);
    return old;
  }

  function another(unit) {
    setAside(unit.unit_id);
    const at = state.beside.findIndex(([unitId]) => unitId === unit.unit_id);
    if (at >= 0) state.visits.set(...state.beside.splice(at, 1)[0]);
    changed();
    showVisit(unit);
  }

  // Correcting it writes a new one and withdraws the old
  function correct(unit) {
    const old = setAside(unit.unit_id);
    const word = {
      kind: "withdrawal", record_id: recordState.newId(), county: data.county, at: new Date().toISOString(),
      by: state.by.trim() || whoOf(old), of: old.record_id, reason: "corrected by a later record",
    };
    state.done.push({ day: old.day, record: word });
    state.visits.set(unit.unit_id, { ...recordState.copyOf(old), record_id: recordState.newId(), at: new Date().toISOString(), sealed: undefined });
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
    const draft = state.visits.get(unit.unit_id);
    if (!draft) return "no answers yet";
    if (draft.sealed) return "exported";
    return recordOf(unit.unit_id, draft).problems.length ? "started" : "ready to export";
  }

  // Visits begun on the page of another day: nothing of them is lost because the list is another
  function leftOver() {
    const listed = new Set(data.units.map((unit) => unit.unit_id));
    return [...state.visits].filter(([unitId, draft]) => !listed.has(unitId) && !draft.sealed).map(([unitId]) => unitId)
      .map((unitId) => ({ unit_id: unitId, address: "", walk: "", geo_uri: "", parcel: [], lid: null, items: data.items.map((item) => item.key) }));
  }

  function buttons(units) {
    return units.map((unit) => el("button", {
      type: "button", on: { click: () => showVisit(unit) },
    }, `${[unit.unit_id, unit.address].filter(Boolean).join(", ")} `, el("span", { className: "done", textContent: `(${status(unit)})` })));
  }

  function exportedDay(file) {
    const count = file.records.filter((record) => record.kind === "visit").length;
    const words = `${file.day}, ${file.by}: ${count} visit${count === 1 ? "" : "s"}`;
    const off = el("button", { type: "button", textContent: "Delete from this phone" });
    off.addEventListener("click", function () {
      if (off.dataset.sure) takeOff(file);
      off.dataset.sure = "yes";
      off.textContent = "Tap again to delete. First make sure the office has read in the file.";
    });
    const again = el("button", { type: "button", textContent: "Export again", on: { click () {
      const gone = [];
      exportFile(file, gone);
      showList(`${words} exported again.`, gone);
    } } });
    return el("fieldset", {}, el("legend", { textContent: words }), again, off);
  }

  const besideLines = () => state.beside.map(([unitId]) =>
    `There is a second draft for ${unitId}. Export the first one, then choose "New visit to this unit".`);

  function showList(said, lines) {
    const left = leftOver(), past = files().found.filter(isExported);
    show(
      el("ul", { className: "safety" }, ...data.cautions.map((line) => el("li", { textContent: line }))),
      recordFields.field("Your name", state, "by", changed),
      said ? el("p", { role: "status", textContent: said }) : null,
      ...[...notices, ...besideLines(), ...(lines || [])].map((words) => el("p", { className: "warn", textContent: words })),
      el("h2", { textContent: "Visits" }), ...buttons(data.units),
      left.length ? el("h2", { textContent: "Started on an earlier list" }) : null, ...buttons(left),
      el("button", { type: "button", className: "main", textContent: "Export today's visits", on: { click: exportDays } }),
      past.length ? el("h2", { textContent: "Exported" }) : null, ...past.map(exportedDay));
  }

  function showVisit(unit) {
    const back = () => el("button", { type: "button", textContent: "Back to list", on: { click: () => showList() } });
    const head = [
      el("h2", { textContent: `Unit ${unit.unit_id}` }), unit.address ? el("p", { textContent: unit.address }) : null,
      unit.walk ? el("p", { textContent: unit.walk }) : null,
      unit.geo_uri ? el("p", {}, el("a", { className: "button", href: unit.geo_uri, textContent: "Open in a map" })) : null,
    ];
    const draft = state.visits.get(unit.unit_id);
    if (draft && draft.sealed) {
      show(back(), ...head, el("p", { className: "warn", textContent: `The visit of ${draft.day} was exported. It cannot be changed.` }),
        el("button", { type: "button", textContent: "New visit to this unit", on: { click: () => another(unit) } }),
        el("button", { type: "button", textContent: "Correct this visit with a new record", on: { click: () => correct(unit) } }));
      return;
    }
    show(back(), ...head, ...recordForm.build(unit, recordState.draftOf(state, unit), data, { changed, taken, dropped, lost }),
      el("p", { className: "warn", textContent: data.last }), back());
  }

  watching.start(heard, isAllExported);
  showList();
  changed();
})();
