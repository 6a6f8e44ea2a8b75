"""Length of an MPEG audio stream, counted frame by frame.

libsndfile takes the length of an MP3 file from its first frame's header or from the bit rate found there. For a file of
variable bit rate without such a header that is a guess, and what lies beyond the guess would be lost unheard.
"""

from __future__ import annotations

# From memory of ISO/IEC 11172-3, 2.4.2.3 and ISO/IEC 13818-3, 2.4.2.3: bit rates in kbit/s of Layer III by index, for
# MPEG-1 (version bits 3) and for the lower sample rates of MPEG-2 (2); sample rates in Hz by index. MPEG-2.5 (0) halves
# those again (common practice, no standard).
_KBITS = {
    3: (0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320),
    2: (0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160),
    0: (0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160),
}
_RATES_HZ = {3: (44_100, 48_000, 32_000), 2: (22_050, 24_000, 16_000), 0: (11_025, 12_000, 8_000)}
_SAMPLES_N = {3: 1152, 2: 576, 0: 576}
_LAYER_3 = 1


def stream_samples_n(content: bytes) -> int:
    """Count the samples of one channel in all Layer III frames of `content`; tags and rubbish are passed over."""
    at, samples_n = _after_id3(content), 0
    while (at := content.find(b"\xff", at)) >= 0 and at + 4 <= len(content):
        length_n, frame_samples_n = _frame(content, at)
        if not length_n:
            at += 1
            continue
        samples_n += frame_samples_n
        at += length_n
    return samples_n


def _frame(content: bytes, at: int) -> tuple[int, int]:
    """Bytes and samples of the frame whose header lies at `at`; 0 where there is none."""
    second, third = content[at + 1], content[at + 2]
    version, layer = (second >> 3) & 3, (second >> 1) & 3
    bit_rate, rate = third >> 4, (third >> 2) & 3
    if second < 0xE0 or version == 1 or layer != _LAYER_3 or bit_rate in (0, 15) or rate == 3:
        return 0, 0
    samples_n = _SAMPLES_N[version]
    padding_n = (third >> 1) & 1
    return samples_n // 8 * 1000 * _KBITS[version][bit_rate] // _RATES_HZ[version][rate] + padding_n, samples_n


def _after_id3(content: bytes) -> int:
    """Where the tag at the beginning ends (ID3v2.4.0, 3.1: four bytes of seven bits each give its size), or 0."""
    if content[:3] != b"ID3" or len(content) < 10:
        return 0
    size_n = sum((byte & 0x7F) << shift for byte, shift in zip(content[6:10], (21, 14, 7, 0), strict=True))
    return 10 + size_n
