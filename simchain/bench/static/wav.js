// Sounds come as float32 WAV at the board's rate and are taken as they are: no decoder between the
// bench's samples and the loudspeaker, and none that needs to be allowed to play first.

const FLOAT_FORMAT = 3;
const EXTENSIBLE = 0xfffe;

function audioOf(bytes) {
  const view = new DataView(bytes);
  const word = (at) => String.fromCharCode(...new Uint8Array(bytes, at, 4));
  if (bytes.byteLength < 12 || word(0) !== "RIFF" || word(8) !== "WAVE") throw new Error("no WAV file");
  let form = null;
  for (let at = 12; at + 8 <= bytes.byteLength; ) {
    const length = view.getUint32(at + 4, true);
    if (word(at) === "fmt ") form = formOf(view, at + 8);
    if (word(at) === "data") return bufferOf(bytes, at + 8, length, form);
    at += 8 + length + (length % 2);
  }
  throw new Error("a WAV file without sound");
}

function formOf(view, at) {
  const tag = view.getUint16(at, true);
  const bits = view.getUint16(at + 14, true);
  const float = tag === FLOAT_FORMAT || (tag === EXTENSIBLE && view.getUint16(at + 24, true) === FLOAT_FORMAT);
  if (!float || bits !== 32) throw new Error("a WAV file that is not float32");
  return { channels: view.getUint16(at + 2, true), rate: view.getUint32(at + 4, true) };
}

function bufferOf(bytes, at, length, { channels, rate }) {
  const frames = Math.floor(Math.min(length, bytes.byteLength - at) / (4 * channels));
  const samples = new Float32Array(bytes.slice(at, at + 4 * channels * frames));
  const buffer = new AudioBuffer({ length: frames, numberOfChannels: channels, sampleRate: rate });
  for (let channel = 0; channel < channels; channel += 1) {
    const own = buffer.getChannelData(channel);
    for (let frame = 0; frame < frames; frame += 1) own[frame] = samples[frame * channels + channel];
  }
  return buffer;
}

// Buffers by key; the one that was not used for longest goes first.
class Kept {
  constructor(mostBytes) {
    Object.assign(this, { mostBytes, buffers: new Map() });
  }

  get(key) {
    const buffer = this.buffers.get(key);
    if (!buffer) return null;
    this.buffers.delete(key);
    this.buffers.set(key, buffer);
    return buffer;
  }

  put(key, buffer) {
    this.buffers.delete(key);
    this.buffers.set(key, buffer);
    for (const oldest of this.buffers.keys()) {
      if (this.bytes <= this.mostBytes || oldest === key) return;
      this.buffers.delete(oldest);
    }
  }

  get bytes() {
    return [...this.buffers.values()].reduce(
      (sum, { length, numberOfChannels }) => sum + 4 * length * numberOfChannels,
      0,
    );
  }
}
