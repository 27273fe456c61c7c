// Clips: brought from elsewhere, kept beside the board, and tied to volts in one of three ways.

const VOLTS = ["full_scale_dbu", "loudest_peak_volts"];

// Brings a file and does something with its clip; what goes wrong is told beside the field.
async function withClip(file, deed) {
  tell("clip");
  try {
    const answer = await answerTo(addressOf("/clip", { name: file.name }), {
      method: "POST",
      headers: { "Content-Type": "application/octet-stream", "Bench-Token": token },
      body: file,
    });
    const { clip } = await answer.json();
    settings.told.revision = null;
    await deed(clip);
  } catch (error) {
    tell("clip", error.message);
  }
}

function takeClip(file) {
  const { path, name } = tableAt(settings.table);
  const setting = { path: [...path, "clip"], say: `${name} clip` };
  if (file) withClip(file, (clip) => postSetting(setting, clip, "clip"));
}

// One way takes the place of the other.
function tieToVolts(key, value) {
  const changes = VOLTS.map((each) => changeOf(["source", each], each === key ? value : undefined));
  return ask("/change", { changes, say: `source ${key} ${value}` }, "clip");
}

function tieByTone(file, volts) {
  return withClip(file, async (clip) => {
    const { hz, level_dbfs: level, full_scale_dbu: full } = await getFacts("/tone", { clip, volts });
    await tieToVolts(VOLTS[0], full);
    byId("volts-says").textContent = `${hz.toFixed(0)} Hz, ${signed(level)} dB from full scale: full scale is ${signed(full)} dBu.`;
  });
}

function listenToClips() {
  const place = byId("set-clip");
  byId("clip-file").addEventListener("change", ({ target }) => takeClip(target.files[0]));
  place.addEventListener("dragover", (event) => event.preventDefault());
  place.addEventListener("drop", (event) => {
    event.preventDefault();
    takeClip(event.dataTransfer.files[0]);
  });
  for (const form of all("#clip-volts form")) {
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      const [number, file] = form.querySelectorAll("input");
      const { value, fault } = readTyped(number.value.trim(), {});
      if (fault || value === undefined) tell("clip", fault || "a number is wanted");
      else if (!file) tieToVolts(form.dataset.key, value);
      else if (file.files[0]) tieByTone(file.files[0], value);
      else tell("clip", "choose the file in which the tone was recorded");
    });
  }
}
