// A scan is never lost to the page. When the connection goes, the page covers itself with a dialog
// that takes the keyboard; the desk works on without a connection, so the dialog is closed and the
// keys come back to the field that had them. So do keys pressed while nothing has the focus.

const DIALOG = '[data-testid="stDialog"]';

export function keepFocus(node) {
  let last = null;

  const remember = (event) => { [last] = event.composedPath(); };
  function free() {
    for (const covered of document.body.querySelectorAll(":scope > [inert]")) {
      if (covered.contains(node.getRootNode().host ?? node)) covered.removeAttribute("inert");
    }
  }
  // focus without selecting: what is half typed must not be typed over
  function back() {
    if (!last?.isConnected || !node.contains(last)) return false;
    free();
    last.focus();
    return true;
  }
  function close() {
    const dialog = document.querySelector(DIALOG);
    if (!dialog) return;
    dialog.querySelector("button")?.click();
    back();
  }
  function pressed(event) {
    const active = document.activeElement;
    const astray = !active || active === document.body || active.closest(DIALOG);
    if (!astray || event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.key !== "Enter" && event.key.length !== 1) return;
    if (!back()) return;
    // a letter goes on to the field that has the focus now; Enter has to be said again
    event.stopImmediatePropagation();
    if (event.key !== "Enter" && "value" in last && last.tagName !== "BUTTON") return;
    event.preventDefault();
    last.dispatchEvent(new KeyboardEvent("keydown", { key: event.key, bubbles: true, composed: true }));
  }

  node.addEventListener("focusin", remember);
  addEventListener("keydown", pressed, true);
  const watching = new MutationObserver(close);
  watching.observe(document.body, { childList: true });
  return () => {
    watching.disconnect();
    removeEventListener("keydown", pressed, true);
  };
}
