"""Colours, fonts and sizes of the two themes, and the one place that says which is on."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cache

from PySide6.QtCore import QObject, Qt, Signal
from PySide6.QtGui import QColor, QFont, QFontDatabase, QFontInfo, QGuiApplication, QPalette
from PySide6.QtWidgets import QApplication

from ridebook.work.places import shipped

SERIF_FAMILIES = ["Source Serif Pro", "Source Serif 4", "Charter", "Georgia", "DejaVu Serif", "serif"]
SANS_FAMILIES = ["Source Sans Pro", "Source Sans 3", "Segoe UI", "Helvetica Neue", "DejaVu Sans", "sans-serif"]

TEXT_SIZES = (0.85, 1.0, 1.15, 1.3, 1.5, 1.75, 2.0)
"""Text sizes to choose from, against the system's own."""


class ThemeChoice(StrEnum):
    """Which theme the user asked for."""

    SYSTEM = "system"
    PAPER = "paper"
    LAMP = "lamp"


@dataclass(frozen=True, slots=True)
class Colours:
    """The colour roles of one theme, as ``#RRGGBB``.

    `page`, `card` are surfaces; `ink` and `pencil` write on both; `vocal`, `bed`, `lost`, `in_order` and
    `selection` draw and write on both; `aim_band` and `hairline` never carry text or meaning alone.
    `selected` is the surface of a selected row, `edge` the outline of a control.
    """

    page: str
    card: str
    ink: str
    pencil: str
    vocal: str
    bed: str
    lost: str
    in_order: str
    selection: str
    aim_band: str
    hairline: str
    selected: str
    edge: str


PAPER = Colours(
    page="#FBF8F1",
    card="#F3EEE2",
    ink="#1E2430",
    pencil="#5A606B",
    vocal="#1F4E9E",
    bed="#7A6A55",
    lost="#A83A12",
    in_order="#2F6B4F",
    selection="#6B3FA0",
    aim_band="#DCE7DF",
    hairline="#C9C2B2",
    selected="#EAE2F1",
    edge="#817A6C",
)

LAMP = Colours(
    page="#1B1D22",
    card="#24272E",
    ink="#ECE7DB",
    pencil="#A7ABB3",
    vocal="#8FB7FF",
    bed="#B9A58A",
    lost="#FF9A73",
    in_order="#8CCFAE",
    selection="#C8A6F2",
    aim_band="#26382F",
    hairline="#3C414B",
    selected="#352F42",
    edge="#868B96",
)


@dataclass(frozen=True, slots=True)
class Theme:
    """One theme at one text size. Views take all colours, fonts and sizes from here.

    Parameters
    ----------
    name : str
        ``paper`` or ``lamp``.
    colours : Colours
        The colour roles.
    scale : float
        Text size against the size that the look was drawn at.
    """

    name: str
    colours: Colours
    scale: float = 1.0

    @property
    def dark(self) -> bool:
        """Whether light writes on dark."""
        return self.colours is LAMP

    def colour(self, role: str, alpha: float = 1.0) -> QColor:
        """Colour of a role, such as ``ink``, as seen through `alpha` (0 to 1)."""
        return _colour(getattr(self.colours, role), alpha)

    def px(self, length_px: float) -> int:
        """Length of the look's drawing in pixels on the screen at this text size."""
        return round(length_px * self.scale)

    def _font(self, families: list[str], size_px: float) -> QFont:
        # A copy, as callers make it bold or slanted.
        return QFont(_font(tuple(families), max(8, self.px(size_px))))

    def lyric(self) -> QFont:
        """Serif of the words."""
        return self._font(SERIF_FAMILIES, 17)

    def title(self) -> QFont:
        """Serif of the song's title."""
        font = self._font(SERIF_FAMILIES, 19)
        font.setWeight(QFont.Weight.DemiBold)
        return font

    def text(self, *, bold: bool = False, italic: bool = False) -> QFont:
        """Sans of all that is not lyric, with tabular figures."""
        font = self._font(SANS_FAMILIES, 14)
        font.setWeight(QFont.Weight.DemiBold if bold else QFont.Weight.Normal)
        font.setItalic(italic)
        return font

    def small(self, *, bold: bool = False, italic: bool = False) -> QFont:
        """Smaller sans, for times, scales and asides."""
        font = self._font(SANS_FAMILIES, 12)
        font.setWeight(QFont.Weight.DemiBold if bold else QFont.Weight.Normal)
        font.setItalic(italic)
        return font

    def heading(self) -> QFont:
        """Small spaced capitals of section headings and part names."""
        font = self.small(bold=True)
        font.setLetterSpacing(QFont.SpacingType.PercentageSpacing, 106)
        return font

    @property
    def row_px(self) -> int:
        """Height of a row of the sheet."""
        return self.px(40)

    @property
    def target_px(self) -> int:
        """Least width and height of what can be clicked."""
        return max(24, self.px(24))


@cache
def _font(families: tuple[str, ...], size_px: int) -> QFont:
    font = QFont(list(families))
    font.setPixelSize(size_px)
    # Tabular figures keep columns of numbers still while they change.
    font.setFeature(QFont.Tag("tnum"), 1)
    return font


@cache
def _colour(name: str, alpha: float) -> QColor:
    colour = QColor(name)
    colour.setAlphaF(alpha)
    return colour


class Themes(QObject):
    """Which theme is on. One for the application; get it with `themes()`."""

    theme_changed = Signal()

    def __init__(self, parent: QObject) -> None:
        super().__init__(parent)
        self._load_fonts()
        self._choice = ThemeChoice.SYSTEM
        self._text_size = 1.0
        self.current = self._made()
        self.theme_changed.connect(self.apply)
        QGuiApplication.styleHints().colorSchemeChanged.connect(self._on_system_changed)

    @property
    def choice(self) -> ThemeChoice:
        """What the user asked for."""
        return self._choice

    @property
    def text_size(self) -> float:
        """Text size against the system's own."""
        return self._text_size

    def choose(self, choice: ThemeChoice | str | None = None, text_size: float | None = None) -> None:
        """Ask for a theme, a text size, or both."""
        if choice is not None:
            self._choice = ThemeChoice(choice)
        if text_size is not None:
            self._text_size = min(max(float(text_size), TEXT_SIZES[0]), TEXT_SIZES[-1])
        self._refresh()

    def apply(self) -> None:
        """Give the application the colours and fonts of the theme that is on."""
        theme = self.current
        QApplication.setPalette(palette(theme))
        QApplication.setFont(theme.text())
        QApplication.instance().setStyleSheet(style_sheet(theme))

    def _refresh(self) -> None:
        made = self._made()
        if made != self.current:
            self.current = made
            self.theme_changed.emit()

    def _made(self) -> Theme:
        dark = self._choice is ThemeChoice.LAMP
        if self._choice is ThemeChoice.SYSTEM:
            dark = QGuiApplication.styleHints().colorScheme() is Qt.ColorScheme.Dark
        scale = round(self._text_size * _system_scale(), 2)
        return Theme("lamp", LAMP, scale) if dark else Theme("paper", PAPER, scale)

    def _on_system_changed(self, _scheme: Qt.ColorScheme) -> None:
        self._refresh()

    @staticmethod
    def _load_fonts() -> None:
        for path in sorted((shipped("assets") / "fonts").glob("*.ttf")):
            QFontDatabase.addApplicationFont(str(path))


def themes() -> Themes:
    """Give the application's `Themes`, made at the first call; a QApplication must be there."""
    app = QApplication.instance()
    found = app.findChild(Themes, options=Qt.FindChildOption.FindDirectChildrenOnly)
    return found if found is not None else Themes(app)


def _system_scale() -> float:
    """How much larger than usual the user has set the system's text; 1 for the usual 12 to 15 px."""
    size_px = QFontInfo(QFontDatabase.systemFont(QFontDatabase.SystemFont.GeneralFont)).pixelSize()
    return 1.0 if size_px <= 15 else size_px / 13


def palette(theme: Theme) -> QPalette:
    """Palette for the standard widgets."""
    made = QPalette()
    group = QPalette.ColorGroup
    role = QPalette.ColorRole
    for where, name in (
        (role.Window, "page"),
        (role.Base, "page"),
        (role.AlternateBase, "card"),
        (role.Button, "card"),
        (role.ToolTipBase, "card"),
        (role.WindowText, "ink"),
        (role.Text, "ink"),
        (role.ButtonText, "ink"),
        (role.BrightText, "ink"),
        (role.ToolTipText, "ink"),
        (role.PlaceholderText, "pencil"),
        (role.Link, "vocal"),
        (role.LinkVisited, "vocal"),
        (role.Accent, "selection"),
        (role.Highlight, "selection"),
        (role.HighlightedText, "page"),
        (role.Light, "page"),
        (role.Midlight, "card"),
        (role.Mid, "hairline"),
        (role.Dark, "edge"),
        (role.Shadow, "edge"),
    ):
        made.setColor(where, theme.colour(name))
    for where in (role.WindowText, role.Text, role.ButtonText):
        made.setColor(group.Disabled, where, theme.colour("pencil", 0.65))
    made.setColor(group.Disabled, role.Highlight, theme.colour("hairline"))
    return made


def style_sheet(theme: Theme) -> str:
    """Style of the standard widgets where the palette does not reach."""
    c = theme.colours
    px = theme.px
    arrows = (shipped("assets") / "icons" / theme.name).as_posix()
    return f"""
    QToolTip {{ background: {c.card}; color: {c.ink}; border: 1px solid {c.edge}; padding: {px(4)}px {px(8)}px; }}
    QMenuBar {{ background: {c.card}; color: {c.ink}; padding: 0 {px(8)}px; }}
    QMenuBar::item {{ padding: {px(4)}px {px(8)}px; background: transparent; }}
    QMenuBar::item:selected, QMenuBar::item:pressed {{ background: {c.selected}; color: {c.ink}; }}
    QMenu {{ background: {c.page}; color: {c.ink}; border: 1px solid {c.edge}; padding: {px(4)}px 0; }}
    QMenu::item {{ padding: {px(5)}px {px(32)}px {px(5)}px {px(28)}px; }}
    QMenu::item:selected {{ background: {c.selected}; color: {c.ink}; }}
    QMenu::item:disabled {{ color: {c.edge}; }}
    QMenu::separator {{ height: 1px; background: {c.hairline}; margin: {px(4)}px {px(12)}px; }}
    QMenu::indicator {{ width: {px(12)}px; height: {px(12)}px; left: {px(8)}px; }}
    QPushButton {{ background: transparent; color: {c.ink}; border: 1px solid {c.edge}; border-radius: {px(4)}px;
        padding: {px(3)}px {px(12)}px; min-height: {max(22, px(22))}px; }}
    QPushButton:hover {{ border-color: {c.ink}; }}
    QPushButton:pressed, QPushButton:checked {{ background: {c.ink}; color: {c.page}; border-color: {c.ink}; }}
    QPushButton:default {{ border-color: {c.ink}; }}
    QPushButton[main="true"] {{ background: {c.ink}; color: {c.page}; border-color: {c.ink}; }}
    QPushButton[main="true"]:hover {{ background: {c.vocal}; border-color: {c.vocal}; }}
    QPushButton:focus, QToolButton:focus {{ border: 2px solid {c.selection}; }}
    QPushButton[main="true"]:focus {{ border: 2px solid {c.selection}; }}
    QDialogButtonBox {{ dialogbuttonbox-buttons-have-icons: 0; }}
    QPushButton:disabled {{ color: {c.edge}; border-color: {c.hairline}; background: transparent; }}
    QToolButton {{ background: transparent; color: {c.ink}; border: 1px solid transparent; border-radius: {px(4)}px;
        padding: {px(2)}px {px(6)}px; min-height: {max(20, px(20))}px; min-width: {max(20, px(20))}px; }}
    QToolButton:hover {{ border-color: {c.edge}; }}
    QToolButton:checked {{ background: {c.ink}; color: {c.page}; }}
    QToolButton[soft="true"] {{ color: {c.pencil}; border-radius: 0; }}
    QToolButton[soft="true"]:hover {{ border-color: transparent; color: {c.ink}; }}
    QToolButton[soft="true"]:checked {{ background: transparent; color: {c.ink}; border-bottom: 2px solid {c.ink}; }}
    QToolButton[soft="true"]:focus {{ border: 2px solid {c.selection}; }}
    QToolButton:disabled {{ color: {c.edge}; }}
    QLineEdit, QPlainTextEdit, QTextEdit, QAbstractSpinBox, QComboBox {{ background: {c.page}; color: {c.ink};
        border: 1px solid {c.edge}; border-radius: {px(3)}px; padding: {px(2)}px {px(6)}px;
        selection-background-color: {c.selection}; selection-color: {c.page}; }}
    QAbstractSpinBox QLineEdit {{ border: none; padding: 0 {px(5)}px; min-height: 0;
        background: transparent; }}
    QAbstractSpinBox::up-button, QAbstractSpinBox::down-button {{ border: none; width: {px(20)}px; }}
    QAbstractSpinBox::up-button {{ subcontrol-position: top right; }}
    QAbstractSpinBox::down-button {{ subcontrol-position: bottom right; }}
    QAbstractSpinBox::up-arrow {{ image: url("{arrows}_up.svg"); width: {px(12)}px; height: {px(12)}px; }}
    QAbstractSpinBox::down-arrow {{ image: url("{arrows}_down.svg"); width: {px(12)}px; height: {px(12)}px; }}
    QComboBox::drop-down {{ border: none; width: {px(20)}px; }}
    QComboBox::down-arrow {{ image: url("{arrows}_down.svg"); width: {px(12)}px; height: {px(12)}px; }}
    QLineEdit, QAbstractSpinBox, QComboBox {{ min-height: {max(20, px(20))}px; }}
    QLineEdit:focus, QPlainTextEdit:focus, QTextEdit:focus, QAbstractSpinBox:focus, QComboBox:focus
        {{ border: 2px solid {c.selection}; padding: {px(2) - 1}px {px(6) - 1}px; }}
    QAbstractSpinBox:disabled, QComboBox:disabled {{ color: {c.edge}; border-color: {c.hairline}; }}
    QCheckBox, QRadioButton {{ spacing: {px(8)}px; }}
    QCheckBox:disabled, QRadioButton:disabled {{ color: {c.edge}; }}
    QCheckBox::indicator, QRadioButton::indicator {{ width: {px(14)}px; height: {px(14)}px; background: {c.page};
        border: 1px solid {c.edge}; border-radius: {px(3)}px; }}
    QRadioButton::indicator {{ border-radius: {px(7)}px; }}
    QCheckBox::indicator:hover, QRadioButton::indicator:hover {{ border-color: {c.ink}; }}
    QCheckBox::indicator:checked {{ background: {c.ink}; border-color: {c.ink}; image: url("{arrows}_check.svg"); }}
    QRadioButton::indicator:checked {{ background: qradialgradient(cx: 0.5, cy: 0.5, radius: 0.5, fx: 0.5, fy: 0.5,
        stop: 0 {c.ink}, stop: 0.55 {c.ink}, stop: 0.6 {c.page}, stop: 1 {c.page}); }}
    QCheckBox::indicator:disabled, QRadioButton::indicator:disabled {{ border-color: {c.hairline}; }}
    QCheckBox::indicator:checked:disabled {{ background: {c.hairline}; border-color: {c.hairline}; }}
    QCheckBox::indicator:focus, QRadioButton::indicator:focus {{ border: 2px solid {c.selection};
        width: {px(14) - 2}px; height: {px(14) - 2}px; }}
    QListView, QTreeView {{ background: {c.page}; color: {c.ink}; border: 1px solid {c.edge}; }}
    QListView#findings {{ background: {c.card}; border: none; }}
    QListView#findings::item {{ padding: 0; }}
    QLineEdit {{ placeholder-text-color: {c.pencil}; }}
    QLineEdit:disabled {{ color: {c.edge}; border-color: {c.hairline}; }}
    QListView::item {{ min-height: {max(24, px(24))}px; padding: 0 {px(6)}px; }}
    QListView::item:selected {{ background: {c.selected}; color: {c.ink}; }}
    QComboBox QAbstractItemView {{ background: {c.page}; color: {c.ink}; border: 1px solid {c.edge};
        selection-background-color: {c.selected}; selection-color: {c.ink}; }}
    QSlider::groove:horizontal {{ height: {px(3)}px; background: {c.edge}; border-radius: 1px; }}
    QSlider::sub-page:horizontal {{ background: {c.ink}; border-radius: 1px; }}
    QSlider::handle:horizontal {{ width: {px(12)}px; height: {px(12)}px; margin: -{px(5)}px 0;
        border-radius: {px(6)}px; background: {c.ink}; border: 1px solid {c.page}; }}
    QSlider::handle:horizontal:focus {{ background: {c.selection}; }}
    QSplitter::handle {{ background: {c.hairline}; }}
    QSplitter::handle:hover {{ background: {c.selection}; }}
    QStatusBar {{ background: {c.card}; color: {c.pencil}; }}
    QStatusBar::item {{ border: none; }}
    QProgressBar {{ background: {c.page}; border: 1px solid {c.edge}; border-radius: {px(3)}px; color: {c.ink};
        text-align: center; max-height: {px(14)}px; }}
    QProgressBar::chunk {{ background: {c.bed}; }}
    QScrollBar:vertical {{ background: transparent; width: {px(12)}px; margin: 0; }}
    QScrollBar:horizontal {{ background: transparent; height: {px(12)}px; margin: 0; }}
    QScrollBar::handle {{ background: {c.edge}; border-radius: {px(3)}px; margin: {px(3)}px; }}
    QScrollBar::handle:vertical {{ min-height: {px(32)}px; }}
    QScrollBar::handle:horizontal {{ min-width: {px(32)}px; }}
    QScrollBar::add-line, QScrollBar::sub-line {{ width: 0; height: 0; }}
    QScrollBar::add-page, QScrollBar::sub-page {{ background: transparent; }}
    """
