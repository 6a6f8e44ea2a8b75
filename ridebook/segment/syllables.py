"""Sounds and syllables of written words, in any script: what an alignment without a dictionary can listen for.

A word becomes a row of sound classes, one letter each, by spelling alone::

    S  sibilants and affricates        T  stops                  A E I O U  vowels by their place
    F  other fricatives                N  nasals                 V          a vowel of unknown place
    L  liquids and glides              ?  perhaps a consonant

Spelling tells these far better than it tells exact sounds, and they are what differs most in a spectrum. The
syllables of a word are its vowels. Rules of spelling here are from memory.
"""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

VOWELS = "AEIOUV"
CONSONANTS = "SFTNL"


def _split(row: str) -> list[str]:
    return row.split()


_PLAIN = {
    **dict.fromkeys("szxcj", "S"),
    **dict.fromkeys("fvh", "F"),
    **dict.fromkeys("pbtdkgq", "T"),
    **dict.fromkeys("mn", "N"),
    **dict.fromkeys("lrwy", "L"),
    **{"a": "A", "e": "E", "i": "I", "o": "O", "u": "U", "ı": "U", "ø": "E", "æ": "E", "œ": "E", "ß": "S"},
    **{"ð": "F", "þ": "F", "đ": "T", "ł": "L", "ə": "V", "ŋ": "N", "ħ": "F"},
}
_MARKED = {"ö": "E", "ü": "I", "ä": "E", "ő": "E", "ű": "I", "ç": "S", "ş": "S", "ñ": "NL", "ğ": ""}
_HIGH = "IU"
_TURKISH = {"c": "S", "j": "S", "h": "F", "v": "F", "y": "L", "ğ": ""}

_CYRILLIC = dict(
    zip(
        "абвгдежзийклмнопрстуфхцчшщъыьэюяёіїєґ",
        _split("A T F T T E S S I L T L N N O T L S T U F F S S S S . U . E LU LA LO I LI LE T"),
    )
)
_GREEK = dict(
    zip(
        "αβγδεζηθικλμνξοπρσςτυφχψω",
        _split("A F L F E S I F I T L N N TS O T L S S T I F F TS O"),
    )
)
_ARABIC = dict(
    zip(
        "ابتثجحخدذرزسشصضطظعغفقكلمنهويءآأإؤئةىپچژگکی",
        _split("A T T F S F F T F L S S S S T T F . T F T T L N N F U I . A A I U I A A T S S T T I"),
    )
)
_ARABIC |= {"\u064e": "A", "\u064f": "U", "\u0650": "I"}
_HEBREW = dict(
    zip(
        "אבגדהוזחטיכלמנסעפצקרשתךםןףץ",
        _split("A T T T . U S F T I T L N N S A T S T L S T T N N F S"),
    )
)
_GREEK_PAIRS = {"ου": "U", "αι": "E", "ει": "I", "οι": "I", "υι": "I", "μπ": "T", "ντ": "T", "γκ": "T", "τσ": "S"}

# English: the longest spelling that fits is taken, `^` and `$` being the word's ends.
_ENGLISH = {
    "tion": "SVN", "sion": "SVN", "cious": "SVS", "tious": "SVS", "ough": "V", "augh": "O", "eigh": "E", "igh": "V",
    "tch": "S", "sch": "ST", "dge": "SV", "sh": "S", "ch": "S", "th": "F", "ph": "F", "wh": "L", "ck": "T", "ng": "N",
    "gh": "", "^kn": "N", "^gn": "N", "^wr": "L", "^ps": "S", "qu": "TL", "x": "TS", "mb$": "N", "mn$": "N", "lk": "T",
    "ee": "I", "ea": "I", "ie": "I", "ei": "I", "ey": "I", "oo": "U", "ou": "V", "ow": "V", "ew": "U", "ue": "U",
    "oa": "O", "oe": "O", "au": "O", "aw": "O", "ai": "E", "ay": "E", "oi": "V", "oy": "V", "ui": "U", "eu": "U",
    "^y": "L", "y": "I", "ce": "SV", "ci": "SI", "cy": "SI", "ge": "SV", "gi": "SI", "c": "T", "g": "T", "j": "S",
    "uy": "V", "ia": "IV", "io": "IV", "iu": "IV", "ua": "UV", "uo": "UV", "eo": "IV", "^one$": "LVN",
    "^once$": "LVNS", "ss": "S", "bb": "T", "dd": "T", "ff": "F", "gg": "T", "ll": "L", "mm": "N", "nn": "N",
    "pp": "T", "rr": "L", "tt": "T", "cc": "T", "zz": "S",
    "a": "A", "e": "E", "i": "I", "o": "V", "u": "V",
}  # fmt: skip
_ENGLISH_WHOLE = {
    "the": "FV", "a": "V", "i": "V", "of": "VF", "you": "LU", "to": "TU", "one": "LVN", "once": "LVNS", "some": "SVN",
    "come": "TVN", "done": "TVN", "gone": "TVN", "have": "FAF", "give": "TIF", "live": "LIF", "love": "LVF",
    "are": "AL", "were": "LVL", "there": "FEL", "where": "LEL", "evening": "IFNIN", "people": "TITVL",
    "who": "FU", "whose": "FUS", "eye": "V", "eyes": "VS", "i'm": "VN", "fire": "FVL", "our": "VL", "hour": "VL",
    "heart": "FALT", "being": "TIIN", "going": "TOIN", "doing": "TUIN", "seeing": "SIIN", "knew": "NU", "by": "TV",
    "my": "NV", "why": "LV", "sky": "STV", "cry": "TLV", "fly": "FLV", "try": "TLV", "dry": "TLV", "high": "FV",
    "die": "TV", "lie": "LV", "tie": "TV", "been": "TIN", "quiet": "TLVVT", "create": "TLIET", "idea": "VTIV",
    "real": "LIL", "poem": "TOVN", "science": "SVVNS", "lion": "LVVN", "something": "SVNFIN",
    "sometimes": "SVNTVNS",
    "someone": "SVNLVN", "business": "TISNVS", "beautiful": "TLUTIFVL", "area": "ELIV", "nineteen": "NVNTIN",
    "ninety": "NVNTI",
    "nine": "NVN", "ocean": "OSVN", "every": "EFLI", "everybody": "EFLITVTI", "everyone": "EFLILVN",
    "everything": "EFLIFIN", "everywhere": "EFLILEL", "said": "SET", "says": "SES",
}  # fmt: skip
_ONES = _split("zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen")
_ONES += ["seventeen", "eighteen", "nineteen"]
_TENS = _split("twenty thirty forty fifty sixty seventy eighty ninety")
_TURKISH_ONES = _split("sıfır bir iki üç dört beş altı yedi sekiz dokuz")
_TURKISH_TENS = _split("on yirmi otuz kırk elli altmış yetmiş seksen doksan")
_INDIC = ("DEVANAGARI", "BENGALI", "GURMUKHI", "GUJARATI", "TAMIL", "TELUGU", "KANNADA", "MALAYALAM", "SINHALA")
_NAMED_SCRIPTS = ("HIRAGANA", "KATAKANA", "HANGUL", "ETHIOPIC", "GEORGIAN", "ARMENIAN", "THAI", "LAO")
_LONGEST_WORD = 200


def spelled(number: str, language: str | None = None) -> list[str]:
    """Words of a number in figures, in Turkish or English; long ones figure by figure."""
    value = int(number)
    ones, tens, hundred, thousand = (
        (_TURKISH_ONES, _TURKISH_TENS, "yüz", "bin")
        if language == "tr"
        else (_ONES, ["ten", *_TENS], "hundred", "thousand")
    )
    if len(number) > 6 or (len(number) > 1 and number[0] == "0"):
        return [ones[int(figure)] for figure in number]
    if 1100 <= value < 2000 and language != "tr" and value % 100:  # years
        return spelled(str(value // 100)) + (["o"] if value % 100 < 10 else []) + spelled(str(value % 100))
    words: list[str] = []
    for size, name in ((1000, thousand), (100, hundred)):
        if value >= size:
            count, value = divmod(value, size)
            words += ([] if count == 1 and language == "tr" else spelled(str(count), language)) + [name]
    if value >= len(ones) or (value >= 10 and language == "tr"):
        words.append(tens[value // 10 - 1])
        value %= 10
        return [*words, ones[value]] if value else words
    return [*words, ones[value]] if value or not words else words


@lru_cache(maxsize=8192)
def sounds(word: str, language: str | None = None) -> str:
    """Sound classes of a written word.

    Parameters
    ----------
    word : str
        As written; case and what is neither letter, mark nor figure are passed over.
    language : str, optional
        ISO 639-1 code; "en" and "tr" have rules of their own, all others those of their script.

    Returns
    -------
    str
        One letter a sound as in the module's docstring; at least one vowel, whatever the word.
    """
    text = unicodedata.normalize("NFC", word[:_LONGEST_WORD].replace("İ", "i"))
    text = (text.replace("I", "ı") if language == "tr" else text).lower().replace("’", "'")
    parts: list[str] = []
    for part in re.findall(r"[0-9]+|[^0-9]+", _western_figures(text)):
        if "0" <= part[0] <= "9":
            parts += [_spoken(name, language) for name in spelled(part, language if language == "tr" else "en")]
        else:
            parts.append(_spoken(part, language))
    row = "".join(parts)
    return row if any(sound in VOWELS for sound in row) else row + "V"


def syllables_n(word: str, language: str | None = None) -> int:
    """Return the number of syllables of a written word, at least 1."""
    return sum(sound in VOWELS for sound in sounds(word, language))


def _western_figures(text: str) -> str:
    return "".join(str(unicodedata.decimal(c)) if c.isdecimal() else c for c in text)


def _spoken(text: str, language: str | None) -> str:
    if language == "en" and text.isascii():
        return _english(text)
    row = ""
    for script, run in _script_runs(text):
        if script == "LATIN":
            row += _latin(run, language)
        elif script in ("CYRILLIC", "ARABIC", "HEBREW", "GREEK"):
            row += _alphabet(run, script)
        elif script in _INDIC:
            row += _indic(run)
        elif script in _NAMED_SCRIPTS:
            row += _named(run)
        else:  # Han and all others: a character is a syllable
            row += "?V" * len(run)
    return row


def _script_runs(text: str) -> list[tuple[str, str]]:
    runs: list[tuple[str, str]] = []
    for c in text:
        if not (c.isalpha() or unicodedata.category(c)[0] == "M" or c in "'ー"):
            continue
        script = unicodedata.name(c, "UNKNOWN").split(" ")[0].split("-")[0] if c != "'" else ""
        if runs and (script in (runs[-1][0], "COMBINING", "")):
            runs[-1] = (runs[-1][0], runs[-1][1] + c)
        elif script:
            runs.append((script, c))
    return runs


def _english(text: str) -> str:
    letters = re.sub(r"[^a-z']", "", text)
    if letters in _ENGLISH_WHOLE:
        return _ENGLISH_WHOLE[letters]
    word = letters.replace("'", "")
    # Silent e: at the end after a consonant, before the plural's s, and in -ed but after t and d.
    if re.search(r"[aeiouy].*[^aeiouy]e$", word) and not re.search(r"[^aeiouylr]le$", word):
        word = word[:-1] + ("|" if word[-2] in "cg" else "")
    elif re.search(r"[aeiouy].*[^aeiouy]es$", word) and not re.search(r"(s|z|x|c|g|sh|ch|[^aeiouylr]l)es$", word):
        word = word[:-2] + "s"
    elif re.search(r"[aeiouy].*[^aeiouytd]ed$", word):
        word = word[:-2] + "d"
    elif re.search(r"[aeiouy].*[^aeiouy](eful|ely|ement|eless|etime)$", word):
        word = re.sub(r"e(ful|ly|ment|less|time)$", r"\1", word)
    word = re.sub(r"([cg])\|", lambda m: "s" if m[1] == "c" else "j", word)
    word = re.sub(r"([^aeiouylr])le(s?)$", r"\1ul\2", word)
    framed = f"^{word}$"
    row, at = "", 1
    while at < len(framed) - 1:
        for length in range(min(7, len(framed) - at + 1), 0, -1):
            starts = [at - 1, at] if at == 1 else [at]
            spelling = next(
                (framed[s : at + length] for s in starts if framed[s : at + length] in _ENGLISH and length > 0), None
            )
            if spelling is not None:
                row += _ENGLISH[spelling]
                at += length
                break
        else:
            row += _PLAIN.get(framed[at], "")
            at += 1
    return row


def _latin(run: str, language: str | None) -> str:
    row = ""
    previous_vowel = False
    letters = list(run.replace("'", ""))
    i = 0
    while i < len(letters):
        c = letters[i]
        after = letters[i + 1] if i + 1 < len(letters) else ""
        base = unicodedata.normalize("NFD", c)[0]
        sound = _MARKED.get(c, _PLAIN.get(c, _PLAIN.get(base, "")))
        if language == "tr":
            sound = _TURKISH.get(c, sound)
        elif c == "c" or c == "g":
            soft = after in ("e", "i", "y", "é", "è", "ê", "í")
            sound = "S" if soft and (c == "c" or language in ("it", "fr", "en", None)) else "T"
            if c == "c" and after == "h":
                sound, i = ("F" if language == "de" else "S"), i + 1
        elif c in "spt" and after == "h" and language != "id":
            sound, i = {"s": "S", "p": "F", "t": "F"}[c], i + 1
        elif c == "y":
            following = unicodedata.normalize("NFD", after)[0] if after else ""
            sound = "L" if following in "aeiou" and following else "I"
        elif c == "q" and after == "u":
            sound, i = "T", i + 1
        elif c == "h" and language in ("fr", "es", "it", "pt"):
            sound = ""
        if sound and sound[0] in VOWELS:
            marked = unicodedata.normalize("NFD", c)[1:]
            # Turkish has no diphthongs; elsewhere a high vowel joins its neighbour unless it is marked.
            nasal = language == "pt" and letters[i - 1] in "ãõ" and c in "oe"
            joins = previous_vowel and language != "tr" and not marked
            joins = joins and (
                sound in _HIGH
                or row[-1] in _HIGH
                or c == letters[i - 1]
                or (base == "e" and language not in ("es", "it", "pt"))
            )
            if not joins and not nasal:
                row += sound
            elif row[-1] in _HIGH and sound not in _HIGH:
                row = row[:-1] + sound
            previous_vowel = True
        else:
            if sound:
                row += sound if not (row and row[-1] == sound and c == letters[i - 1]) else ""
                previous_vowel = False
        i += 1
    # Silent endings of French.
    if language == "fr" and re.search(r"[^aeiouy]e(s|nt)?$", run) and len(re.findall("[AEIOUV]", row)) > 1:
        row = row[: max(row.rfind(v) for v in VOWELS)]
    return row


def _alphabet(run: str, script: str) -> str:
    table = {"CYRILLIC": _CYRILLIC, "ARABIC": _ARABIC, "HEBREW": _HEBREW, "GREEK": _GREEK}[script]
    row = ""
    text = run.replace("'", "")
    if script == "GREEK":
        stress = {"ά": "α", "έ": "ε", "ή": "η", "ί": "ι", "ό": "ο", "ύ": "υ", "ώ": "ω", "ϊ": "ι", "ϋ": "υ"}
        for pair, sound in _GREEK_PAIRS.items():
            marked = "".join(stress.get(c, c) for c in text) if pair[-1] in "υι" else text
            if pair in marked and len(marked) == len(text):
                text = re.sub(pair, lambda _m, s=sound: f"{s}\0", marked)  # type: ignore[misc]
        text = "".join(stress.get(c, c) for c in text)
    for c in text:
        sound = table.get(c, "" if c == "\0" else c if c in VOWELS + CONSONANTS else "").replace(".", "")
        row += sound
    if script in ("ARABIC", "HEBREW") and not any(unicodedata.category(c) == "Mn" for c in run):
        # Short vowels are not written: one is heard between two consonants that stand together.
        row = re.sub(rf"([{CONSONANTS}])(?=[{CONSONANTS}]([{CONSONANTS}]|$))", r"\1V", row)
        if row and row[0] in CONSONANTS and not re.search(f"^.[{VOWELS}]", row):
            row = row[0] + "V" + row[1:]
    return row


def _romanised(name: str) -> str:
    letters = name.lower()
    row = ""
    for piece in re.findall(r"sh|ch|ts|th|ph|kh|gh|bh|dh|ng|[aeiou]+|[a-z]", letters):
        if piece[0] in "aeiou":
            row += _PLAIN[piece[-1] if piece in ("ae", "eo", "eu", "oe", "ui") else piece[0]]
        elif piece in ("sh", "ch", "ts"):
            row += "S"
        elif piece == "ng":
            row += "N"
        else:
            row += _PLAIN.get(piece[0], "")
    return row


def _named(run: str) -> str:
    """Sounds by the characters' names in Unicode, which spell them out: HIRAGANA LETTER KA."""
    row = ""
    for c in run:
        name = unicodedata.name(c, "")
        last = name.split(" ")[-1]
        if c == "ー" or "SMALL TU" in name or "SMALL TSU" in name or not name:
            continue
        small = " SMALL " in name and name.startswith(("HIRAGANA", "KATAKANA"))
        if name.startswith("HANGUL SYLLABLE"):
            row += _romanised(last)
        elif small and row and row[-1] in VOWELS:
            row = row[:-1] + "L" + _romanised(last)[-1:]
        elif name.startswith(("THAI", "LAO")):
            if "VOWEL" in name or " SARA " in name or "MAI HAN" in name:
                row += "V"
            elif "CHARACTER" in name or "LETTER" in name:
                row += "?"
        elif name.startswith(("GEORGIAN", "ARMENIAN")):
            first = _romanised(last)
            vowel = last in ("AN", "EN", "IN", "ON", "UN", "AYB", "ECH", "EH", "ET", "INI", "VO", "OH")
            row += first[:1] if vowel or first[:1] not in VOWELS else "L"
        elif "LETTER" in name or "SYLLABLE" in name:
            row += _romanised(last)
    return row


def _indic(run: str) -> str:
    """Return the sounds of an Indic run: a consonant carries a vowel unless marked, and mostly drops it at the end."""
    row = ""
    for c in run:
        name = unicodedata.name(c, "")
        last = name.split(" ")[-1]
        if "VOWEL SIGN" in name:
            row = (row[:-1] if row and row[-1] == "V" else row) + _romanised(last)[:1]
        elif "VIRAMA" in name or "AL-LAKUNA" in name:
            row = row[:-1] if row and row[-1] == "V" else row
        elif "ANUSVARA" in name or "CANDRABINDU" in name:
            row += "N"
        elif "LETTER" in name:
            letter = _romanised(last)
            row += letter[:1] + "V" if letter[:1] in CONSONANTS else letter[:1]
    if row.endswith("V") and sum(sound in VOWELS for sound in row) > 1:
        row = row[:-1]
    return row
