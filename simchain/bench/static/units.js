// The user's own units: recordings brought to the board, and what is asked about them.

async function brought(id) {
  const [file] = byId(id).files;
  if (!file) return null;
  const answer = await answerTo(addressOf("/clip", { name: file.name }), {
    method: "POST",
    headers: { "Content-Type": "application/octet-stream", "Bench-Token": token },
    body: file,
  });
  return (await answer.json()).clip;
}

async function unitAsked() {
  const { value, fault } = readTyped(byId("unit-volts").value.trim(), {});
  if (fault) throw new Refusal(400, fault);
  tell("job", "bringing the recordings");
  const asked = { block: byId("unit-block").value, volts: value };
  asked.loopback = await brought("unit-loopback");
  asked.recording = await brought("unit-recording");
  return asked;
}

jobMore.fit = unitAsked;
jobMore.verify = unitAsked;

function offerUnits() {
  const names = Object.keys(desk.board.blocks);
  const key = JSON.stringify(names);
  if (offerUnits.key === key) return;
  offerUnits.key = key;
  const { value } = byId("unit-block");
  byId("unit-block").replaceChildren(...names.map((name) => new Option(spoken(name), name)));
  if (names.includes(value)) byId("unit-block").value = value;
}

new MutationObserver(offerUnits).observe(byId("deeds"), { childList: true, subtree: true });
