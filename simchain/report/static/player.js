// Plays every order of one passage in step, one of them heard, and fades between them.
// Times are whole frames of the audio context, so nothing falls between samples.

const FADE_S = 0.012;
const SEAM_S = 0.004;
const LEAD_S = 0.015;
const SEAMS_AHEAD_S = 30;

const ratio = (db) => 10 ** (db / 20);

// One gain whose fades follow each other and are never cancelled: no step can come of it.
class Fader {
  constructor(context, value) {
    this.node = context.createGain();
    this.node.gain.value = value;
    this.value = value;
    this.until = 0;
  }

  to(value, at, seconds = FADE_S) {
    const start = Math.max(at, this.until);
    this.node.gain.setValueAtTime(this.value, start);
    this.node.gain.linearRampToValueAtTime(value, start + seconds);
    this.value = value;
    this.until = start + seconds;
  }
}

// All orders of a passage, started together at frame `start` from frame `offset` of their sound.
class Take {
  constructor(context, master, buffers, gains, { start, offset, loop }) {
    Object.assign(this, { context, buffers, start, offset, loop, wraps: 0 });
    const rate = context.sampleRate;
    this.seam = context.createGain();
    this.whole = new Fader(context, 0);
    this.whole.node.connect(this.seam).connect(master);
    this.orders = gains.map((gain) => new Fader(context, gain));
    this.sources = buffers.map((buffer, order) => {
      if (!buffer) return null;
      const source = context.createBufferSource();
      source.buffer = buffer;
      source.loop = true;
      source.loopStart = loop.from / rate;
      source.loopEnd = loop.to / rate;
      source.connect(this.orders[order].node).connect(this.whole.node);
      source.start(start / rate, offset / rate);
      return source;
    });
    this.whole.to(1, start / rate);
    this.softenSeams(start);
  }

  frameAt(frame) {
    const reached = this.offset + Math.max(0, frame - this.start);
    const { from, to } = this.loop;
    return reached < to ? reached : from + ((reached - to) % (to - from));
  }

  // Where the loop closes, the sound dips for a moment, so that the seam does not click.
  softenSeams(frame) {
    const rate = this.context.sampleRate;
    const { from, to } = this.loop;
    const horizon = frame + SEAMS_AHEAD_S * rate;
    const gain = this.seam.gain;
    for (;;) {
      const seam = this.start + (to - this.offset) + this.wraps * (to - from);
      if (seam > horizon) return;
      const at = seam / rate;
      gain.setValueAtTime(1, Math.max(this.start / rate, at - SEAM_S));
      gain.linearRampToValueAtTime(0, at);
      gain.linearRampToValueAtTime(1, at + SEAM_S);
      this.wraps += 1;
    }
  }

  fadeTo(gains, at, seconds = FADE_S) {
    this.orders.forEach((fader, order) => fader.to(gains[order], at, seconds));
  }

  end(at) {
    this.whole.to(0, at);
    for (const source of this.sources) source?.stop(this.whole.until + 0.01);
    const last = this.sources.find(Boolean);
    if (last) last.onended = () => this.seam.disconnect();
  }
}

class Player {
  constructor(rate, volume) {
    Object.assign(this, { rate, volume, context: null, master: null, hush: null, take: null });
    Object.assign(this, { timer: 0, resting: 0 });
  }

  // Browsers let a page make sound only once someone has asked for it: call this from a click.
  async open() {
    clearTimeout(this.resting);
    if (!this.context) {
      this.context = new AudioContext({ sampleRate: this.rate, latencyHint: "interactive" });
      this.master = new Fader(this.context, this.volume);
      this.hush = new Fader(this.context, 1);
      this.hush.node.connect(this.master.node).connect(this.context.destination);
    }
    await this.context.resume();
  }

  get playing() {
    return this.take !== null;
  }

  soon() {
    const lead = Math.max(LEAD_S, this.context.baseLatency || 0);
    return Math.ceil((this.context.currentTime + lead) * this.context.sampleRate);
  }

  // The first frame at which another take may begin.
  afterTake() {
    const busy = this.take ? this.take.whole.until * this.context.sampleRate : 0;
    return Math.max(this.soon(), Math.ceil(busy));
  }

  // Start, or go on at another place, in another loop or with other sounds: the old take fades
  // into the new one. Without `offset` it goes on where the old one will be by then.
  start(buffers, gains, loop, offset = null) {
    const rate = this.context.sampleRate;
    const start = this.afterTake();
    const frames = Math.min(...buffers.filter(Boolean).map((buffer) => buffer.length));
    const bounds = loop
      ? { from: Math.round(loop.from * rate), to: Math.min(frames, Math.round(loop.to * rate)) }
      : { from: 0, to: frames };
    let place = offset === null ? this.take.frameAt(start) : Math.round(offset * rate);
    if (place >= bounds.to) place = bounds.from;
    this.take?.end(start / rate);
    this.take = new Take(this.context, this.hush.node, buffers, gains, {
      start,
      offset: place,
      loop: bounds,
    });
    clearInterval(this.timer);
    this.timer = setInterval(() => this.take.softenSeams(this.soon()), 1000);
  }

  stop() {
    const at = this.soon();
    const reached = this.take.frameAt(at) / this.context.sampleRate;
    this.take.end(at / this.context.sampleRate);
    this.take = null;
    clearInterval(this.timer);
    this.resting = setTimeout(() => this.take || this.context.suspend(), 500);
    return reached;
  }

  fadeTo(gains) {
    this.take?.fadeTo(gains, this.soon() / this.context.sampleRate);
  }

  setVolume(volume) {
    this.volume = volume;
    this.master?.to(volume, this.soon() / this.context.sampleRate);
  }

  // Seconds into the passage of what leaves the loudspeaker now.
  seconds() {
    const heard = this.context.currentTime - (this.context.outputLatency || 0);
    return this.take.frameAt(heard * this.context.sampleRate) / this.context.sampleRate;
  }
}
