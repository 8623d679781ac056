/* Chooses the scheme of light before anything is drawn, so that a dark page never flashes white: sun, dark or night. */
(function () {
  "use strict";
  var KEY = "ampledger.scheme";
  /* Also for what the browser draws around the page, on a phone: the paper of page.css. */
  var PAPER = { sun: "#ffffff", dark: "#101516", night: "#0a0000" };
  var around = document.createElement("meta");
  around.name = "theme-color";
  document.head.append(around);
  var dark = window.matchMedia("(prefers-color-scheme: dark)");
  function wish() {
    try {
      var kept = localStorage.getItem(KEY);
      return kept === "sun" || kept === "dark" || kept === "night" ? kept : "system";
    } catch (error) {
      return "system"; // storage may be switched off; the system's wish still holds
    }
  }
  function apply() {
    var now = wish();
    var scheme = now === "system" ? (dark.matches ? "dark" : "sun") : now;
    take(scheme);
  }
  function take(scheme) {
    around.content = PAPER[scheme];
    if (document.documentElement.dataset.scheme === scheme) return;
    document.documentElement.dataset.scheme = scheme;
    window.dispatchEvent(new Event("ampledger:scheme"));
  }
  window.ampledgerScheme = {
    wish: wish,
    choose: function (name) {
      try {
        if (name === "system") localStorage.removeItem(KEY);
        else localStorage.setItem(KEY, name);
      } catch (error) {
        /* not kept, but shown */
      }
      if (name === "system") apply();
      else take(name);
    },
  };
  apply();
  dark.addEventListener("change", apply);
  window.addEventListener("storage", apply);
})();
