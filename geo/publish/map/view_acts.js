// What both pages offer to do with the view: copy its address, print it, save it, change its screen.
const viewActs = (() => {
  const { byId } = dom;

  const showScreen = () => {
    byId("screen").textContent = screens.now() === "dark" ? "Light mode" : "Dark mode";
  };

  const copy = async (share) => {
    const isCopied = await share.copy();
    byId("address-box").hidden = isCopied;
    byId("address").value = location.href;
    byId("said").textContent = isCopied ? "Link copied." : "Copy the link from the box.";
    byId("copied").hidden = !isCopied;
    if (!isCopied) byId("address").select();
  };

  const listen = (model, map, view, share, layers) => {
    const rescreen = () => {
      showScreen();
      view.recolor();
      layers.showAll();
    };
    byId("legend").addEventListener("toggle", () => setTimeout(model.redrawLayers, 200)); // names make room, but no unit's panel waits for them
    printing.listen(model, map, view, layers.showLegend);
    screens.listen(rescreen);
    byId("whole").addEventListener("click", () => mapView.lookAtAll(map, model.data, layers.beside()));
    byId("copy").addEventListener("click", () => copy(share));
    byId("copy").hidden = !sharing.isOurs();
    byId("print").addEventListener("click", () => window.print());
    byId("save-picture").addEventListener("click", async () =>
      saving.offer(await picture.make(model, map, view), saving.nameOf(model, "map", "png")));
    byId("screen").addEventListener("click", () => {
      screens.choose(screens.now() === "dark" ? "light" : "dark");
      rescreen();
      share.remember();
    });
  };

  return Object.freeze({ listen, showScreen });
})();
