"use strict";
// Plays the versions of a trial in step. Every version's sound runs all the time
// and only gains move, so that switching neither stops nor shifts anything.
(() => {
  const data = JSON.parse(document.getElementById("trial-data").textContent);
  const by = (id) => document.getElementById(id);
  const fadeS = 0.015, leadS = 0.02; // of a switch; before a start, for the sound's thread to be ready
  const power = (db) => Math.pow(10, db / 20);
  const state = { version: 0, stage: "", from: 0, stay: false, here: false, playing: false, passage: 0 };
  const sounds = new Map(); // id → promise of an AudioBuffer
  let context = null, master = null, voices = null, startedAt = 0, startedFrom = 0;

  const bytes = (id) => Uint8Array.from(atob(by(id).textContent), (c) => c.charCodeAt(0)).buffer;
  const buffer = (ctx, id) => {
    if (!sounds.has(id)) sounds.set(id, ctx.decodeAudioData(bytes(id)));
    return sounds.get(id);
  };
  const mainID = (v) => "sound-" + v;
  const takenID = (v, k) => "taken-" + v + "-" + k;
  const mode = (stage) => {
    if (stage === "") return { k: -1, how: "" };
    const [k, how] = stage.split(" ");
    return { k: Number(k), how };
  };

  // matchDB levels one version within a passage: as loud there as all are over the
  // whole trial.
  const matchDB = (v, from, to) => {
    const tenths = data.versions[v].tenths.slice(Math.floor(from * 10), Math.ceil(to * 10));
    const sum = tenths.reduce((a, b) => a + b, 0);
    if (!(sum > 0)) return 0;
    return data.lufs - (-0.691 + 10 * Math.log10(sum / tenths.length));
  };

  // gains is how loud each version's sound is, and the difference laid over it.
  const gains = (s) => {
    const { k, how } = mode(s.stage);
    const passage = data.passages[s.passage];
    const match = s.here && s.stay ? matchDB(s.version, passage.from_s, passage.to_s) : 0;
    const without = how === "without" ? data.versions[s.version].stages[k].without_db : 0;
    const g = power(match + without);
    return {
      main: data.versions.map((_, v) => (v === s.version && how !== "alone" ? g : 0)),
      taken: how === "" ? 0 : how === "alone" ? 1 : g,
    };
  };

  // build connects sounds to a destination and starts them when and where begin
  // says; what it gives back moves their gains.
  const build = async (ctx, to, s, begin) => {
    let when, at;
    const passage = data.passages[s.passage];
    const start = (audio) => {
      const node = ctx.createBufferSource(), gain = ctx.createGain();
      node.buffer = audio;
      node.loop = true;
      node.loopStart = s.stay ? passage.from_s : 0;
      node.loopEnd = s.stay ? passage.to_s : audio.duration;
      gain.gain.value = 0;
      node.connect(gain).connect(to);
      node.start(when, at);
      return { node, gain: gain.gain };
    };
    const { k } = mode(s.stage);
    const audios = await Promise.all(data.versions.map((_, v) => buffer(ctx, mainID(v))));
    const taken = k >= 0 ? await buffer(ctx, takenID(s.version, k)) : null;
    [when, at] = begin(); // now that nothing has to be waited for
    const all = audios.map(start);
    return { main: all, taken: taken ? start(taken) : null };
  };
  const setGains = (ctx, v, s, fade) => {
    const want = gains(s), now = ctx.currentTime;
    const move = (param, value) => {
      param.cancelScheduledValues(now);
      param.setValueAtTime(param.value, now);
      param.linearRampToValueAtTime(value, now + fade);
    };
    v.main.forEach((one, i) => move(one.gain, want.main[i]));
    if (v.taken) move(v.taken.gain, want.taken);
  };

  const lengthS = () => data.passages[data.passages.length - 1].to_s;
  const within = (at) => {
    const passage = data.passages[state.passage];
    const [from, to] = state.stay ? [passage.from_s, passage.to_s] : [0, lengthS()];
    return at >= to ? from + ((at - from) % (to - from)) : Math.max(from, at);
  };
  const position = () => {
    if (!state.playing) return state.from;
    return within(startedFrom + Math.max(0, context.currentTime - startedAt));
  };
  const fadeOut = (v) => {
    const now = context.currentTime;
    for (const one of [...v.main, v.taken]) {
      if (!one) continue;
      one.gain.cancelScheduledValues(now);
      one.gain.setValueAtTime(one.gain.value, now);
      one.gain.linearRampToValueAtTime(0, now + leadS + fadeS);
      one.node.stop(now + leadS + 2 * fadeS);
    }
  };
  let turn = 0; // the last one that started wins
  // start plays from a place, or goes on where the playhead is when all is ready.
  const start = async (from) => {
    const mine = ++turn;
    if (!context) {
      context = new AudioContext({ sampleRate: data.rate_hz });
      master = context.createGain();
      master.connect(context.destination);
      volume();
    }
    await context.resume();
    let when, at;
    const next = await build(context, master, state, () => {
      when = context.currentTime + leadS;
      at = from ?? within(position() + (state.playing ? leadS : 0));
      return [when, at];
    });
    if (mine !== turn) {
      for (const one of [...next.main, next.taken]) if (one) one.node.stop();
      return;
    }
    if (voices) fadeOut(voices);
    [voices, startedAt, startedFrom, state.playing] = [next, when, at, true];
    setGains(context, voices, state, leadS + fadeS);
    by("play").textContent = "Pause";
  };
  const pause = () => {
    turn++;
    state.from = position();
    state.playing = false;
    if (voices) fadeOut(voices);
    voices = null;
    by("play").textContent = "Play";
  };
  const again = () => state.playing && start();

  const volume = () => {
    const db = Number(by("volume").value);
    by("volume-said").textContent = (db < 0 ? "−" + -db : "0") + " dB";
    if (master) master.gain.value = power(db);
  };
  const clock = (s) => Math.floor(s / 60) + ":" + (s % 60 < 10 ? "0" : "") + (s % 60).toFixed(1);
  const tick = () => {
    const at = position();
    by("at").textContent = clock(at);
    by("head").style.left = (100 * at) / lengthS() + "%";
    if (!state.stay) state.passage = Math.max(0, data.passages.findIndex((p) => at < p.to_s));
    document.querySelectorAll(".passage").forEach((b, i) => b.classList.toggle("stay", state.stay && i === state.passage));
    requestAnimationFrame(tick);
  };
  const choose = (v) => {
    state.version = v;
    const was = state.stage;
    const chosen = document.querySelector(`input[name="stage-${v}"]:checked`);
    state.stage = chosen ? chosen.value : "";
    document.querySelectorAll(".stages").forEach((s) => s.classList.toggle("shown", Number(s.dataset.stages) === v));
    document.querySelector(`input[name="version"][value="${v}"]`).checked = true;
    if (!voices) return;
    if (was !== "" || state.stage !== "") again();
    else setGains(context, voices, state, fadeS);
  };
  const go = (at) => {
    state.from = at;
    if (state.playing) start(at);
  };

  // order is how versions stand and which key chooses which: as written, or
  // shuffled where names are hidden.
  let order = data.versions.map((_, i) => i);
  const hide = () => {
    const hidden = by("hide").checked;
    order = data.versions.map((_, i) => i);
    if (hidden) for (let i = order.length - 1; i > 0; i--) {
      const k = Math.floor(Math.random() * (i + 1));
      [order[i], order[k]] = [order[k], order[i]];
    }
    document.body.classList.toggle("hidden-page", hidden);
    by("hidden-note").hidden = !hidden;
    order.forEach((v, i) => {
      const label = document.querySelector(`label[data-version="${v}"]`);
      label.querySelector(".letter").textContent = hidden ? "version " + "ABCDEFGH"[i] : "";
      label.querySelector("kbd").textContent = i + 1;
      by("versions").append(label);
    });
    if (!hidden) return;
    document.querySelectorAll('.stages input[value=""]').forEach((all) => (all.checked = true));
    choose(order[0]);
  };

  by("play").addEventListener("click", () => (state.playing ? pause() : start(state.from)));
  by("volume").addEventListener("input", volume);
  by("hide").addEventListener("change", hide);
  by("loop").addEventListener("change", () => {
    state.from = position();
    state.stay = by("loop").checked;
    by("here").disabled = !state.stay;
    if (state.playing) start(state.from);
  });
  by("here").addEventListener("change", () => {
    state.here = by("here").checked;
    if (voices) setGains(context, voices, state, fadeS);
  });
  document.querySelectorAll(".passage").forEach((b, i) => b.addEventListener("click", (e) => {
    e.stopPropagation();
    state.passage = i;
    go(data.passages[i].from_s);
  }));
  document.querySelectorAll('input[name="version"]').forEach((one) => one.addEventListener("change", () => choose(Number(one.value))));
  document.querySelectorAll(".stages").forEach((section) => section.addEventListener("change", (e) => {
    state.stage = e.target.value;
    again();
  }));
  document.addEventListener("keydown", (e) => {
    if (e.ctrlKey || e.metaKey || e.altKey) return;
    if (e.key === " " && e.target.tagName !== "BUTTON") {
      e.preventDefault();
      by("play").click();
    } else if (e.key >= "1" && e.key <= String(order.length)) choose(order[Number(e.key) - 1]);
  });
  choose(0);
  tick();

  // What the page would play, reckoned without a loudspeaker: for tests.
  globalThis.trial = {
    position, data,
    playing: () => state.playing,
    heard: async (version, stage, passage, here, seconds) => {
      const ctx = new OfflineAudioContext(1, Math.round(seconds * data.rate_hz), data.rate_hz);
      const s = { version, stage, passage: Math.max(0, passage), stay: passage >= 0, here };
      const v = await build(ctx, ctx.destination, s, () => [0, passage >= 0 ? data.passages[passage].from_s : 0]);
      const want = gains(s);
      v.main.forEach((one, i) => (one.gain.value = want.main[i]));
      if (v.taken) v.taken.gain.value = want.taken;
      return (await ctx.startRendering()).getChannelData(0);
    },
  };
})();
