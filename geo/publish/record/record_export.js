// From drafts to records, and from records to the day files that go to the office.
"use strict";
const recordExport = (function () {
  const PARTS = new Map([["lid", "lids"], ["outlet", "discharge point"]]);
  const LISTS = ["answers", "findings", "measured", "positions", "taped", "samples", "photos"];

  function number(text) {
    const value = String(text ?? "").trim().replace(",", ".");
    return value !== "" && Number.isFinite(Number(value)) ? Number(value) : null;
  }

  function filled(object) {
    return Object.fromEntries(Object.entries(object).filter(([, value]) => value !== "" && value !== undefined && value !== null));
  }

  const isExported = (file) => file.holders.every((holder) => holder.sealed);

  function make(data, state) {
    const titles = new Map(data.items.map((item) => [item.key, item.title]));
    const titleOf = (item) => titles.get(item) || item; // of an earlier list, perhaps
    const whoOf = (draft) => (draft.by || "").trim() || state.by.trim();

    function measuredOf(draft, problems) {
      const measured = [];
      for (const [item, a] of draft.answers) {
        if (a.answer === "not_good" && !a.severity) problems.push(`choose a severity for "${titleOf(item)}"`);
        if (a.measured && number(a.measured) === null) problems.push(`"${a.measured}" for "${titleOf(item)}" is not a number`);
        else if (a.measured) measured.push({ what: item, value: number(a.measured), unit: a.unit });
      }
      for (const row of draft.measured) {
        if (!row.what && !row.value) continue;
        const value = row.qualifier === "no_flow" ? null : number(row.value);
        if (!row.what || !row.unit || (value === null && row.qualifier !== "no_flow")) problems.push(`measurement "${row.what}" needs what was measured, a number and its unit`);
        else measured.push(filled({ ...row, value }));
      }
      return measured;
    }

    function tapedOf(draft, problems) {
      const taped = [];
      for (const row of draft.taped) {
        const feet = number(row.feet);
        if (feet === null || feet < 0) problems.push("a distance measured by tape needs a number of feet");
        else taped.push(filled({ part: row.part, feature: row.feature, feature_id: row.feature_id, distance_m: Math.round(feet * 304.8) / 1000 }));
      }
      return taped;
    }

    // The record of a draft, and what of it cannot be used
    function recordOf(unitId, draft) {
      const problems = [], answered = [...draft.answers].filter(([, a]) => a.answer);
      const measured = measuredOf(draft, problems), taped = tapedOf(draft, problems);
      for (const row of draft.samples) if (!row.number) problems.push("a sample has no number");
      if (!draft.outcome) problems.push("choose an outcome");
      if (!whoOf(draft)) problems.push("enter your name");
      for (const [part, place] of Object.entries(draft.places)) {
        if (place.typed && place.lat === undefined) problems.push(`"${place.typed}" is not a position for the ${PARTS.get(part)}, so correct it or clear it`);
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
      for (const name of LISTS) if (!record[name].length) delete record[name];
      if (!record.note) delete record.note;
      return { record, problems };
    }

    // What there is for each day and person: one file each, whole whenever it is exported
    function files() {
      const found = new Map(), waiting = [];
      function add(record, day, holder) {
        const key = JSON.stringify([day, record.by]);
        if (!found.has(key)) found.set(key, { day, by: record.by, records: [], holders: [] });
        found.get(key).records.push(record);
        found.get(key).holders.push(holder);
      }
      for (const [unitId, draft] of state.visits) {
        const { record, problems } = draft.sealed || recordOf(unitId, draft);
        if (problems.length) waiting.push(`${unitId} was not exported. Fix: ${problems.join("; ")}.`);
        else add(record, draft.day, draft);
      }
      for (const each of state.done) add(each.record, each.day, each);
      return { found: [...found.values()].sort((a, b) => (a.day + a.by < b.day + b.by ? -1 : 1)), waiting };
    }

    // The photos of a record as the day file has them; one that neither copy gives back is said
    function whole(record, gone) {
      if (!record.photos) return record;
      const photos = record.photos.map((photo) => ({ name: photo.name, note: photo.note, jpeg: keeping.photo(photo.id) }));
      for (const photo of photos) if (!photo.jpeg) gone.push(`${photo.name} of ${record.unit_id} was lost on this phone. The rest of the visit was exported.`);
      const kept = photos.filter((photo) => photo.jpeg);
      return { ...record, photos: kept.length ? kept : undefined };
    }

    function exportFile(file, gone) {
      const content = dayFile.make(data.county, file.day, file.by, file.records.map((record) => whole(record, gone)));
      const href = URL.createObjectURL(new Blob([content], { type: "application/json" }));
      recordFields.el("a", { href, download: dayFile.name(file.day, file.by) }).click();
      setTimeout(() => URL.revokeObjectURL(href), 10000);
      // kept as it went out: who takes the phone next, or another list, does not change it
      file.holders.forEach((holder, k) => { holder.sealed = { record: file.records[k], problems: [] }; });
    }

    return { whoOf, recordOf, files, exportFile };
  }

  return { make, isExported };
})();
