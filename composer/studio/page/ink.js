/* The colours of the paper and of the pens, read from the style sheet once a theme. Light itself is never made here. */

let pens = null;

export function inks() {
  if (pens === null) {
    const style = getComputedStyle(document.documentElement);
    const read = (name) => style.getPropertyValue(`--${name}`).trim();
    pens = Object.fromEntries(
      ["paper", "ink", "pale", "faint", "wash", "night", "blue", "red", "serif", "label", "onnight"].map((name) => [
        name,
        read(name),
      ]),
    );
  }
  return pens;
}

/** Light, dark, or as the system has it: kept in the browser. */
export function setTheme(theme) {
  if (theme) document.documentElement.dataset.theme = theme;
  else delete document.documentElement.dataset.theme;
  pens = null;
}

export function isDark() {
  const { theme } = document.documentElement.dataset;
  return theme ? theme === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
}

export function forgetInks() {
  pens = null;
}
