"""The synthesizer's times against the sound itself."""

import numpy as np
import pytest

from tests.synth import speak

TEXT = "Boats turn back. Tall pines keep cold paths."


@pytest.mark.parametrize("voice", ["en", "en+f2", "en-us+m4"])
def test_times_agree_with_the_energy(voice: str) -> None:
    said = speak(TEXT, voice=voice)
    power = said.samples.astype(float) ** 2
    assert [word.text for word in said.words] == TEXT.replace(".", "").split()
    covered = np.zeros(len(power), bool)
    for phoneme in said.phonemes:
        covered[phoneme.start_n : phoneme.end_n] = True
    # What lies outside every phoneme is next to nothing; a shift of all times by 10 ms puts sound there.
    outside = power[~covered].sum()
    assert outside < 3e-5 * power.sum()
    for shift_n in (-said.rate_hz // 100, said.rate_hz // 100):
        assert power[~np.roll(covered, shift_n)].sum() > 10 * outside


@pytest.mark.parametrize("voice", ["en", "en-us", "de"])
def test_a_burst_after_silence_starts_at_its_event(voice: str) -> None:
    said = speak(TEXT, voice=voice)
    power = said.samples.astype(float) ** 2
    bursts = [
        p for p in said.phonemes if p.name in ("p", "t", "k") and not power[max(0, p.start_n - 200) : p.start_n].any()
    ]
    assert bursts
    for burst in bursts:
        first = burst.start_n + int(np.flatnonzero(power[burst.start_n :])[0])
        assert first - burst.start_n <= 20


def test_words_hold_their_phonemes_and_are_repeatable() -> None:
    said, again = speak(TEXT), speak(TEXT)
    assert said.words == again.words
    assert np.array_equal(said.samples, again.samples)
    starts = {phoneme.start_n for phoneme in said.phonemes}
    ends = {phoneme.end_n for phoneme in said.phonemes}
    for word, following in zip(said.words, said.words[1:]):
        assert word.start_n < word.end_n <= following.start_n
    assert all(word.start_n in starts and word.end_n in ends for word in said.words)


def test_linked_words_keep_their_own_phonemes() -> None:
    said = speak("one is mine")
    one, is_, _ = said.words
    inside = [p.name for p in said.phonemes if one.start_n <= p.start_n < one.end_n]
    assert inside[-1] == "n"
    assert is_.start_n == one.end_n


def test_pitch_follows() -> None:
    def period_hz(pitch: int) -> float:
        said = speak("mow", pitch=pitch, pitch_range=0)
        x = said.samples[2000:6000].astype(float)
        correlation = np.correlate(x, x, "full")[len(x) :]
        low, high = said.rate_hz // 400, said.rate_hz // 60
        return said.rate_hz / (low + int(np.argmax(correlation[low:high])) + 1)

    assert period_hz(80) > 1.3 * period_hz(20)


def test_refuses_an_unknown_voice() -> None:
    with pytest.raises(ValueError, match="no such voice"):
        speak("word", voice="nowhere")
