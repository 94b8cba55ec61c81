// What Streamlit calls: the desk is built once and lives through every rerun of the page. Its
// modules come from our own route, so that they can import each other.

const desks = new WeakMap();

export default function (component) {
  const { parentElement, data } = component;
  const before = desks.get(parentElement);
  if (before?.form === data.form.name) return before.stop;
  before?.stop();
  const place = document.createElement("div");
  const mounted = { form: data.form.name, stop: () => { gone = true; desk?.stop(); place.remove(); desks.delete(parentElement); } };
  let gone = false;
  let desk = null;
  parentElement.append(place);
  desks.set(parentElement, mounted);
  Promise.all([import(new URL(`${data.base}/js/desk.js`, location.origin).href), me(data.base)])
    .then(([{ makeDesk }, who]) => {
      if (gone) return;
      desk = makeDesk({ ...data, who });
      place.append(desk.node);
      desk.start();
    })
    .catch((fault) => { place.textContent = `The entry screen could not be loaded: ${fault.message}. Reload the page.`; });
  return mounted.stop;
}

async function me(base) {
  const answer = await fetch(`${base}/me`, { credentials: "same-origin" });
  if (!answer.ok) throw new Error("nobody is signed in");
  return answer.json();
}
