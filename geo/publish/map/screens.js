// Light or dark: as the system asks, until somebody chooses.
const screens = (() => {
  const system = window.matchMedia("(prefers-color-scheme: dark)");
  let chosen = null;

  const now = () => chosen || (system.matches ? "dark" : "light");
  const apply = () => { document.documentElement.dataset.screen = now(); };

  const choose = (screen) => {
    chosen = screen === "light" || screen === "dark" ? screen : null;
    apply();
  };

  const listen = (then) => system.addEventListener("change", () => {
    apply();
    then();
  });

  apply();
  return Object.freeze({ now, choose, chosen: () => chosen, listen });
})();
