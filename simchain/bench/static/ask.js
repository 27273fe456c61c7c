// Requests to the bench. A refusal is thrown with what it says, so that whoever asked can put the
// words beside what they belong to.

const byId = (id) => document.getElementById(id);
const all = (selector) => [...document.querySelectorAll(selector)];
const token = document.querySelector("meta[name=bench-token]").content;
const SILENT = "The bench does not answer. Is it still running where it was started?";

// A button that does one deed and sends no form.
function button(className, deed, ...children) {
  const made = make("button", className, ...children);
  made.type = "button";
  made.addEventListener("click", deed);
  return made;
}

class Refusal extends Error {
  constructor(status, text, problems = []) {
    super(text);
    Object.assign(this, { status, problems });
  }
}

async function answerTo(path, options) {
  let answer = null;
  try {
    answer = await fetch(path, options);
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Refusal(0, SILENT);
  }
  if (!answer.ok) throw await refusalOf(answer);
  return answer;
}

async function refusalOf(answer) {
  const body = await answer.text();
  try {
    const { text, problems = [] } = JSON.parse(body);
    return new Refusal(answer.status, text || problems.map((each) => each.text).join(" "), problems);
  } catch {
    return new Refusal(answer.status, body || `The bench refused this (${answer.status}).`);
  }
}

function addressOf(path, asked) {
  const told = Object.entries(asked).filter(([, value]) => value !== null && value !== undefined);
  return told.length ? `${path}?${new URLSearchParams(told)}` : path;
}

async function getFacts(path, asked = {}, signal = undefined) {
  return (await answerTo(addressOf(path, asked), { signal })).json();
}

async function getSound(path, asked = {}, signal = undefined) {
  const answer = await answerTo(addressOf(path, asked), { signal });
  const told = (name) => (answer.headers.has(name) ? Number(answer.headers.get(name)) : null);
  const [gain, asIs] = [told("Bench-Gain-Db"), told("Bench-As-Is-Db")];
  return { gain, asIs, buffer: audioOf(await answer.arrayBuffer()) };
}

async function post(path, body) {
  const answer = await answerTo(path, {
    method: "POST",
    headers: { "Content-Type": "application/json", "Bench-Token": token },
    body: JSON.stringify(body),
  });
  return answer.json();
}

const isAborted = (error) => error.name === "AbortError";

// Words beside what they belong to; none takes them away.
function tell(place, text = "", ...more) {
  byId(`told-${place}`)?.replaceChildren(text, ...more);
}

// What a reader of the screen hears of a change that is otherwise only seen.
function sayAloud(words) {
  byId("aloud").textContent = words;
}
