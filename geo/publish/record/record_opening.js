// What is on the device when the page opens, and what there is to say of it.
"use strict";
const opening = (function () {
  const TAKEN_OVER = "Drafts from an earlier version were on this device, where other pages could read them. They are here now, and other pages can no longer read them.";
  const PLAIN = "This device holds drafts from an earlier version or another program. They are not shown here. Export them with the page they were typed on.";
  const OTHER_KEY = "This device holds drafts made with another key of this county. They were not changed. Open them with the page they were typed on.";
  const ONE_COPY = "One of the two copies of the drafts on this device was missing or damaged. It was restored from the other copy.";
  const UNREADABLE = "The drafts saved on this device are damaged and cannot be read. Nothing was deleted. Ask the office before you clear this browser.";
  const BACK = "Drafts that another program had locked are back. Check each visit before you export.";

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
