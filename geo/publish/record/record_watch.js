// Notices at once when another program empties, changes or holds what this page keeps, says so, and
// writes all of it again from what stands on the page.
"use strict";
const watching = (function () {
  const EVERY_MS = 2000;
  const WIPED = "Another program deleted or changed the drafts on this device. What you typed is still on this page and was saved again. Export now.";
  const LOST = "Another program deleted or changed the drafts on this device, and they cannot be saved again. What you typed is still on this page. Export now, before you close it.";
  const HELD = "Another program has locked the drafts on this device. What you typed is still on this page. Export now, before you close it.";
  let alarm = "", next = 0, isLooking = false, isAsked = false, heard = () => {}, isAllOut = () => false;

  // `onChange` is called when there is something else to say; `isAllExported` tells whether a wipe
  // can no longer cost anything
  function start(onChange, isAllExported) {
    heard = onChange;
    isAllOut = isAllExported;
    setInterval(look, EVERY_MS);
    for (const event of ["focus", "storage", "pageshow"]) window.addEventListener(event, look);
    document.addEventListener("visibilitychange", look);
  }

  // What the stores tell of themselves; while the page still opens, too
  async function told(what) {
    if (what === "held") alarm = HELD;
    if (what === "back" && alarm === HELD) alarm = "";
    heard(what);
    if (what === "held" || !keeping.isAble()) return;
    if (what === "deleted") await baseStore.connect();
    if (what === "back") await look();
    else await again();
  }

  async function look() {
    isAsked = true;
    if (isLooking || !keeping.isAble()) return;
    isLooking = true;
    try {
      while (isAsked) {
        isAsked = false; // what happens while it looks is looked at again
        await compare();
      }
    } finally {
      isLooking = false;
    }
  }

  async function compare() {
    const isUnmarked = await keeping.checkOpening(), { words, sealed } = keeping.written();
    if (keeping.isElsewhere()) heard();
    if (keeping.isElsewhere() || !sealed) return;
    if (!baseStore.isThere() && !baseStore.isHeld()) await baseStore.connect();
    const [isChanged, isBehind] = await against(sealed), isPhoto = await isPhotoChanged();
    if (isUnmarked || isPhoto || (isChanged && keeping.written().sealed === sealed)) await again();
    else if (isBehind && keeping.written().sealed === sealed) {
      await keeping.queue(() => keeping.save(words, []));
      heard();
    }
  }

  // Whether a store holds something else than it took, and whether the first can be written again
  async function against({ made, second, first }) {
    const isSecond = second && textStore.get(keeping.place()) !== made;
    const wasKept = (await first).done, now = await baseStore.get(keeping.place());
    return [isSecond || (wasKept && now.done && now.value !== made), now.done && !wasKept && !keeping.isUnread()];
  }

  // Each time one photo, to the byte; that all are there, each time
  async function isPhotoChanged() {
    const photos = [...keeping.pictures];
    if (!photos.length) return false;
    const names = await baseStore.names(), there = new Set(names.value);
    if (names.done && photos.some(([id, { first }]) => first && !there.has(keeping.photoName(id)))) return true;
    if (photos.some(([id, { second }]) => second && textStore.get(keeping.photoName(id)) === null)) return true;
    const [id, picture] = photos[next++ % photos.length], name = keeping.photoName(id);
    const isSame = async (copy) => {
      const bytes = await sealing.unseal(name, copy);
      return bytes !== null && sealing.base64Of(bytes) === picture.jpeg;
    };
    if (picture.second && !(await isSame(textStore.get(name)))) return true;
    const first = picture.first ? await baseStore.get(name) : { done: false };
    return first.done && !(await isSame(first.value));
  }

  // All of it once more, from what stands on the page
  async function again() {
    if (keeping.written().words === null || keeping.isElsewhere()) return;
    alarm = isAllOut() ? "" : WIPED;
    heard();
    keeping.forget();
    const kept = await keeping.queue(() => keeping.save(keeping.written().words, []));
    for (const id of keeping.pictures.keys()) await keeping.queue(() => keeping.putPhoto(id));
    const isKept = kept && (kept.second || (await kept.first).done);
    const arePhotos = [...keeping.pictures.values()].every(({ first, second }) => first || second);
    if (kept && !(isKept && arePhotos)) alarm = LOST;
    heard();
  }

  // What was exported is safe: what happened to the drafts is no longer pressing
  function settle() {
    if (alarm !== HELD) alarm = "";
  }

  return { start, told, settle, alarm: () => alarm };
})();
