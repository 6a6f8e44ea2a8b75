"""The lyric read into sections, lines, words and syllables."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import settings as runs
from hypothesis import strategies as st

from ridebook.segment.lyric import Lyric, guess_language, parse_lyric
from ridebook.segment.syllables import CONSONANTS, VOWELS, sounds, spelled, syllables_n
from tests.timing import best_cpu_s


def texts(lyric: Lyric) -> list[tuple[str, list[list[str]]]]:
    return [(s.name, [[word.text for word in line.words] for line in s.lines]) for s in lyric.sections]


def test_sections_by_blank_lines_and_headings() -> None:
    text = "[verse 1]\r\nfirst line here\r\nsecond, line!\r\n\r\n\r\n[Chorus]\r\nsing it\r\n\r\n"
    text += "no name\r\nBridge:\nlast one"
    assert texts(parse_lyric("\ufeff" + text)) == [
        ("verse 1", [["first", "line", "here"], ["second", "line"]]),
        ("Chorus", [["sing", "it"]]),
        ("", [["no", "name"]]),
        ("Bridge", [["last", "one"]]),
    ]


def test_a_heading_alone_and_marks_of_repetition() -> None:
    text = (
        "[chorus]\nla la x2\nlo\n\n[verse]\nsome words\n\n[chorus]\n\n[chorus x2]\n\n[tag]\none\ntwo\n(x2)\nthree (bis)"
    )
    chorus = [["la", "la"], ["la", "la"], ["lo"]]
    assert texts(parse_lyric(text)) == [
        ("chorus", chorus),
        ("verse", [["some", "words"]]),
        *[("chorus", chorus)] * 3,
        ("tag", [["one"], ["two"], ["one"], ["two"], ["three"], ["three"]]),
    ]


def test_words_keep_their_apostrophes_and_lose_what_is_around() -> None:
    line = parse_lyric("\"Don't 'cause\" — runnin' (ooh, yeah) re-mem-ber: 24/7 ...").lines[0]
    assert [word.text for word in line.words] == [
        "Don't", "'cause", "runnin'", "ooh", "yeah", "re-mem-ber", "24", "7",
    ]  # fmt: skip
    assert [word.text for word in line.words if word.aside] == ["ooh", "yeah"]


def test_ideographs_and_kana_are_syllables_and_hangul_and_hebrew_words() -> None:
    lyric = parse_lyric("愛してる きょう\n사랑해 너를\nשלום עולם\nمرحبا يا حبيبي\n你好 world")
    assert [[word.text for word in line.words] for line in lyric.lines] == [
        ["愛", "し", "て", "る", "きょ", "う"],
        ["사랑해", "너를"],
        ["שלום", "עולם"],
        ["مرحبا", "يا", "حبيبي"],
        ["你", "好", "world"],
    ]


@pytest.mark.parametrize("text", ["", " \n\n\t", "[chorus]", "...\n--", "\x00\x01", "[", "]", "x3", "()"])
def test_a_text_without_words_is_empty(text: str) -> None:
    assert parse_lyric(text).words == ()


@pytest.mark.parametrize(
    "big",
    [
        "the quick love of my long long life\n" * 2858,
        "\n".join(" ".join(chr(97 + (i * k) % 26) * (1 + i % 9) for i in range(8)) for k in range(2600)),
        "愛" * 100_000,
        "(" * 100_000,
        "[" * 100_000,
        "x2 " * 33_333,
        "a" * 100_000,
        "chorus:" * 14_000,
        " " * 99_999 + "x",
        "[a]\n" * 25_000,
        "one x9\nx9\n" * 10_000,
    ],
    ids=[str(i) for i in range(11)],
)
def test_a_hundred_thousand_characters_are_read_at_once(big: str) -> None:
    # At most 0.8 s of one processor; what grew with the square of the text would take minutes.
    assert best_cpu_s(lambda: parse_lyric(big[:100_000]), rounds_n=1) < 10.0


@given(text=st.text(max_size=400))
@runs(max_examples=200, deadline=None)
def test_any_text_is_read(text: str) -> None:
    lyric = parse_lyric(text)
    for word in lyric.words:
        assert word.text.strip()
        assert word.syllables_n >= 1
    assert all(line.words for line in lyric.lines)


@given(word=st.text(max_size=30), language=st.sampled_from([None, "en", "tr", "de", "fr", "es"]))
@runs(max_examples=300, deadline=None)
def test_every_word_has_sounds_and_a_vowel(word: str, language: str | None) -> None:
    row = sounds(word, language)
    assert set(row) <= set(VOWELS + CONSONANTS + "?")
    assert set(row) & set(VOWELS)


# By ear, as dictionaries divide them; from memory.
ENGLISH = {
    1: "love loved loves through strength eyes fire wrote chalk night dreamed one cause world change",
    2: "again apples running wanted table tables little changes baby ocean winter many being quiet",
    3: "remember windowsill beautiful tomorrow yesterday banana everyone",
    4: "television everybody understanding",
}
TURKISH = {1: "gün aşk ben", 2: "akşam oldu saat çare", 3: "hüzünlendim bulunmaz tabibim", 4: "gözlerinin tabibanı"}
OTHERS = {
    "coração": ("pt", 3), "ciudad": ("es", 2), "poeta": ("es", 3), "Mädchen": ("de", 2), "heute": ("de", 2),
    "belles": ("fr", 1), "молоко": (None, 3), "любовь": (None, 2), "ουρανός": (None, 3), "και": (None, 1),
    "שלום": (None, 2), "愛": (None, 1), "さくら": (None, 3), "きょう": (None, 2), "사랑해": (None, 3),
    "नमस्ते": (None, 3), "प्यार": (None, 1), "1985": ("en", 5), "24": ("tr", 3), "42": ("en", 3),
}  # fmt: skip


def test_syllables_of_english_and_turkish() -> None:
    for language, table in (("en", ENGLISH), ("tr", TURKISH)):
        words = [(word, count) for count, row in table.items() for word in row.split()]
        right = sum(syllables_n(word, language) == count for word, count in words)
        assert right >= 0.9 * len(words), [w for w, count in words if syllables_n(w, language) != count]


@pytest.mark.parametrize("word", OTHERS)
def test_syllables_of_other_languages_and_of_figures(word: str) -> None:
    language, count = OTHERS[word]
    assert syllables_n(word, language) == count


def test_numbers_are_spelled() -> None:
    assert spelled("1985") == ["nineteen", "eighty", "five"]
    assert spelled("100") == ["one", "hundred"]
    assert spelled("100", "tr") == ["yüz"]
    assert spelled("2026", "tr") == ["iki", "bin", "yirmi", "altı"]
    assert spelled("007") == ["zero", "zero", "seven"]
    assert spelled("0") == ["zero"]


def test_languages_are_guessed_only_where_they_show() -> None:
    assert guess_language("akşam oldu hüzünlendim ben yine hasret kaldım") == "tr"
    assert guess_language("meet me by the orchard wall") == "en"
    assert guess_language("ich bin so allein in der Nacht") is None
    assert guess_language("愛してる") is None
