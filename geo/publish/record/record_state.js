// What is typed: a draft for each unit, a map by id, for an id may be any word; and what was exported.
"use strict";
const recordState = (function () {
  const blank = () => ({ saved: 0, by: "", visits: new Map(), done: [], beside: [] });

  const packed = (draft) => ({ ...draft, answers: [...draft.answers] });
  const opened = (draft) => ({ ...draft, answers: new Map(draft.answers) });

  const each = (pairs, change) => [...pairs].map(([unitId, draft]) => [unitId, change(draft)]);

  const toText = ({ visits, beside, ...rest }) => JSON.stringify({ ...rest, visits: each(visits, packed), beside: each(beside, packed) });

  // The state of a text, or null where it is none
  function fromText(text) {
    try {
      const told = JSON.parse(text);
      return { ...blank(), ...told, visits: new Map(each(told.visits, opened)), beside: each(told.beside || [], opened) };
    } catch {
      return null;
    }
  }

  // The state as version 0.1 kept it: objects by id
  function fromPlain(told) {
    try {
      const visits = Object.entries(told.visits || {}).map(([unitId, draft]) =>
        [unitId, { ...draft, answers: new Map(Object.entries(draft.answers || {})) }]);
      return { ...blank(), ...told, visits: new Map(visits) };
    } catch {
      return null;
    }
  }

  // Every photo the state speaks of: { id, name, note }
  const photosOf = ({ visits, done, beside = [] }) =>
    [...visits.values(), ...beside.map(([, draft]) => draft), ...done.map(({ record }) => record)].flatMap((held) => held.photos || []);

  const copyOf = (draft) => opened(JSON.parse(JSON.stringify(packed(draft))));

  // What another copy holds and this one does not comes in; of two drafts of a unit the second
  // stands beside the first until that is exported.
  function merge(state, found) {
    const ids = new Set(state.done.map(({ record }) => record.record_id));
    state.done.push(...found.done.filter(({ record }) => !ids.has(record.record_id)));
    for (const [unitId, draft] of [...found.visits, ...found.beside]) {
      const own = state.visits.get(unitId);
      if (!own) state.visits.set(unitId, draft);
      else if (JSON.stringify(packed(own)) !== JSON.stringify(packed(draft))) {
        if (draft.sealed && draft.record_id !== own.record_id) state.done.push({ day: draft.day, record: draft.sealed.record, sealed: draft.sealed });
        else state.beside.push([unitId, { ...draft, sealed: undefined, record_id: draft.record_id === own.record_id ? newId() : draft.record_id }]);
      }
    }
    state.saved = Math.max(state.saved, found.saved);
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

  // The draft of a unit, begun where there is none
  function draftOf(state, unit) {
    if (!state.visits.has(unit.unit_id)) {
      state.visits.set(unit.unit_id, {
        record_id: newId(), at: new Date().toISOString(), by: state.by.trim(), day: today(), outcome: "", answers: new Map(),
        running_out: {}, measured: [], samples: [], places: {}, taped: [], photos: [], note: "",
        by_lot: unit.by_lot,
      });
    }
    return state.visits.get(unit.unit_id);
  }

  return { blank, toText, fromText, fromPlain, photosOf, copyOf, merge, newId, draftOf };
})();
