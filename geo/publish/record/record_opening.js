// What is on the device when the page opens, and what there is to say of it.
"use strict";
const opening = (function () {
  const TAKEN_OVER = "Drafts of the version before were on this device, open to other pages. They are here now, and no longer open to others.";
  const PLAIN = "Drafts of the version before, or written by another program, are on this device and are not shown. Export them with the page they were typed on.";
  const OTHER_KEY = "Drafts made with another key of this county are on this device. Nothing was done to them: open them with the page they were typed on.";
  const ONE_COPY = "One of the two copies of the drafts on this device was gone or damaged. It was made again from the other one.";
  const UNREADABLE = "What was kept on this device is damaged and cannot be read. Nothing of it was deleted. Ask the office before you clear this browser.";
  const BACK = "Drafts that another program held are here again. Look at each visit before you export.";

  // { state, notices }; `me` names this opening
  async function begin(data, me) {
    const notices = [];
    await keeping.open(data.key, data.county, me, watching.told);
    const { state: kept, missing, unreadable } = await keeping.read();
    if (missing) notices.push(ONE_COPY);
    if (unreadable) notices.push(UNREADABLE);
    if (keeping.isAble() && (await adopting.isOtherKeyHere())) notices.push(OTHER_KEY);
    const plain = await adopting.find(data.county);
    if (plain && kept && kept.adopted === plain.mark) await adopting.clear(data.county, kept);
    else if (plain && (kept || keeping.isUnread() || unreadable)) notices.push(PLAIN);
    else if (plain) {
      if (keeping.isAble()) notices.push(TAKEN_OVER);
      return { state: await adopting.adopt(data.county, plain, me), notices };
    }
    return { state: kept || recordState.blank(), notices };
  }

  return { begin, BACK };
})();
