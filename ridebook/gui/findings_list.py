"""The list of findings: sentences with a time, and a click that goes to the place."""

from __future__ import annotations

from PySide6.QtCore import QModelIndex, QPoint, QRect, QSize, Qt, Signal
from PySide6.QtGui import QFocusEvent, QFontMetrics, QPainter, QPaintEvent
from PySide6.QtWidgets import (
    QAbstractItemView,
    QInputDialog,
    QListWidget,
    QListWidgetItem,
    QMenu,
    QStyle,
    QStyledItemDelegate,
    QStyleOptionViewItem,
    QWidget,
)

from ridebook.check.findings import Finding, Severity, apply_cure, find
from ridebook.gui.desk import Desk
from ridebook.gui.song_watch import SongWatch
from ridebook.gui.theme import themes
from ridebook.gui.timers import rest_timer
from ridebook.gui.words import clock, with_minus
from ridebook.segment.spans import Kind, holder
from ridebook.session.document import Session
from ridebook.session.edits import accept_finding
from ridebook.work.steps import CancelCheck, Progress

FINDING = Qt.ItemDataRole.UserRole
SETTLE_MS = 250


class _Line(QStyledItemDelegate):
    """Time in pencil, then the sentence; what must be seen to has a tick before it and the colour of what is lost."""

    def __init__(self, desk: Desk, parent: QWidget) -> None:
        super().__init__(parent)
        self._desk = desk

    def _wide(self) -> tuple[int, int]:
        px = themes().current.px
        return px(16), px(64)

    def sizeHint(self, option: QStyleOptionViewItem, index: QModelIndex) -> QSize:
        """High enough for the wrapped sentence."""
        theme = themes().current
        finding: Finding = index.data(FINDING)
        left, time = self._wide()
        wide = max(120, option.widget.viewport().width() - left - time - theme.px(16))
        metrics = QFontMetrics(theme.text())
        text = metrics.boundingRect(QRect(0, 0, wide, 1000), Qt.TextFlag.TextWordWrap, with_minus(finding.sentence))
        return QSize(left + time + wide, max(theme.target_px, text.height() + theme.px(6)))

    def paint(self, painter: QPainter, option: QStyleOptionViewItem, index: QModelIndex) -> None:
        """Paint one finding."""
        theme = themes().current
        finding: Finding = index.data(FINDING)
        must = finding.severity is Severity.MUST
        left, time = self._wide()
        painter.save()
        if option.state & QStyle.StateFlag.State_Selected:
            painter.fillRect(option.rect, theme.colour("selected"))
            edge = QRect(option.rect.topLeft(), QSize(theme.px(4), option.rect.height()))
            painter.fillRect(edge, theme.colour("selection"))
        top = option.rect.top() + theme.px(3)
        painter.setFont(theme.small())
        painter.setPen(theme.colour("pencil"))
        painter.drawText(
            QRect(option.rect.left() + left, top, time, theme.px(18)),
            Qt.AlignmentFlag.AlignVCenter,
            clock(finding.start_n, self._desk.rate_hz, 1),
        )
        if must:
            tick = QRect(option.rect.left() + left + time - theme.px(10), top + theme.px(3), theme.px(3), theme.px(13))
            painter.fillRect(tick, theme.colour("lost"))
        painter.setFont(theme.text())
        painter.setPen(theme.colour("lost" if must else "ink"))
        painter.drawText(
            option.rect.adjusted(left + time, theme.px(3), -theme.px(12), 0),
            Qt.TextFlag.TextWordWrap,
            with_minus(finding.sentence),
        )
        painter.restore()


LOOKING = "Looking through the song…"
NOTHING = "Nothing to see to."


class FindingsList(QListWidget):
    """Findings about what is on the desk, found anew a moment after every edit."""

    counted = Signal(int)

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._desk = desk
        self.setObjectName("findings")
        self.setAccessibleName("Findings")
        self.setFrameShape(QListWidget.Shape.NoFrame)
        self.setMinimumHeight(themes().current.px(28))
        self.setItemDelegate(_Line(desk, self))
        self.setVerticalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setContextMenuPolicy(Qt.ContextMenuPolicy.CustomContextMenu)
        self.customContextMenuRequested.connect(self._on_menu)
        self.itemActivated.connect(self.go_to)
        self.itemClicked.connect(self.go_to)
        self._settle = rest_timer(self, SETTLE_MS, self._find)
        self._instead = ""
        self.watch = SongWatch(desk, self)
        self.watch.changed.connect(self._find)
        desk.session_changed.connect(self._on_session_changed)
        desk.analysis_changed.connect(self._settle.start)
        desk.hearing.changed.connect(self._settle.start)
        themes().theme_changed.connect(self._dress)
        self._dress()

    def _dress(self) -> None:
        theme = themes().current
        palette = self.palette()
        palette.setColor(self.viewport().backgroundRole(), theme.colour("card"))
        self.setPalette(palette)
        self.scheduleDelayedItemsLayout()

    def focusInEvent(self, event: QFocusEvent) -> None:
        """Let keys begin at the first finding."""
        super().focusInEvent(event)
        if not self.selectedItems() and self.count():
            self.setCurrentRow(max(self.currentRow(), 0))

    def instead(self) -> str:
        """Say what stands in the place of findings where there are none."""
        return "" if self.count() else self._instead

    def paintEvent(self, event: QPaintEvent) -> None:
        """Paint the findings, or why there are none."""
        super().paintEvent(event)
        text = self.instead()
        if text:
            theme = themes().current
            painter = QPainter(self.viewport())
            painter.setFont(theme.text())
            painter.setPen(theme.colour("pencil"))
            room = self.viewport().rect().adjusted(theme.px(16), theme.px(4), -theme.px(8), 0)
            painter.drawText(room, Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignTop, text)
            painter.end()

    def resizeEvent(self, event: object) -> None:
        """Wrap the sentences anew."""
        super().resizeEvent(event)
        self.scheduleDelayedItemsLayout()

    def _on_session_changed(self, before: Session | None, after: Session) -> None:
        self._settle.start()

    def _find(self) -> None:
        desk = self._desk
        session, measures = desk.session, desk.measures
        if session is None or measures is None:
            self.show_findings(())
            self._instead = ""
            return

        self._instead = self._instead or LOOKING
        self.viewport().update()
        peaks_dbtp, health = self.watch.peaks_dbtp, self.watch.health
        hearing = desk.hearing.of(session, measures)

        def work(_progress: Progress, _cancelled: CancelCheck) -> tuple[Finding, ...]:
            return find(session, measures, peaks_dbtp, health=health, hearing=hearing)

        desk.pool.start(work, done=self.show_findings, failed=desk.failed.emit, group="findings")

    def show_findings(self, findings: tuple[Finding, ...]) -> None:
        """Show these; the one that was current stays so while it is there."""
        item = self.currentItem()
        key = item.data(FINDING).key if item is not None else None
        self.clear()
        for finding in findings:
            item = QListWidgetItem(self)
            item.setData(FINDING, finding)
            must = "Must be seen to: " if finding.severity is Severity.MUST else ""
            item.setData(Qt.ItemDataRole.AccessibleTextRole, must + with_minus(finding.sentence))
            if finding.cure is not None:
                item.setToolTip(f"{finding.cure.label} (C)")
            if finding.key == key:
                self.setCurrentItem(item)
        self._instead = NOTHING
        self.counted.emit(len(findings))

    def go_to(self, item: QListWidgetItem) -> None:
        """Select what a finding is about and show it in the timeline."""
        finding: Finding = item.data(FINDING)
        desk = self._desk
        span = desk.span(finding.key.partition(":")[2])
        if span is None or span.kind not in (Kind.SECTION, Kind.PHRASE, Kind.WORD):
            span = holder(desk.session.segments.phrases, finding.start_n)
        if span is not None:
            desk.select([span.id], kind=span.kind, current_id=span.id)
            desk.show_span(span)
        desk.set_playhead(finding.start_n)

    def cure(self, finding: Finding | None = None) -> None:
        """Apply the cure of a finding, of the current one where none is named; one step to undo."""
        desk = self._desk
        if finding is None:
            item = self.currentItem()
            if item is None:
                desk.message.emit("Choose a finding first: F6 leads to the findings, the arrow keys through them.")
                return
            finding = item.data(FINDING)
        if finding.cure is None:
            desk.message.emit("No key cures this one; its sentence says what does.")
        elif desk.edit(finding.cure.label, lambda session: apply_cure(session, finding, desk.suggestion)):
            desk.message.emit(f"{finding.cure.label}: done.")
        else:
            desk.message.emit("Nothing was changed: locked, or at the limit already.")

    def _on_menu(self, place: QPoint) -> None:
        item = self.itemAt(place)
        if item is None:
            return
        menu = QMenu(self)
        menu.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        menu.addAction("Go there").triggered.connect(lambda: self.go_to(item))
        finding: Finding = item.data(FINDING)
        if finding.cure is not None:
            menu.addAction(f"{finding.cure.label}\tC").triggered.connect(lambda: self.cure(finding))
        menu.addAction("Accept with a note…").triggered.connect(lambda: self._accept(item.data(FINDING)))
        menu.popup(self.viewport().mapToGlobal(place))

    def _accept(self, finding: Finding) -> None:
        dialog = QInputDialog(self)
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.setWindowTitle("Accept a finding")
        dialog.setLabelText(f"{with_minus(finding.sentence)}\n\nWhy it may stay so:")
        dialog.textValueSelected.connect(
            lambda note: self._desk.edit("Accept a finding", lambda now: accept_finding(now, finding.key, note))
        )
        dialog.open()
