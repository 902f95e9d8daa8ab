//! Before another kit takes the place of unsaved work, or a program of its own ends with it, the player is asked.

use super::{file_browser::FilePurpose, frame_context::FrameContext, theme, widgets};
use egui::{RichText, Ui};
use kitwright_core::session::Job;

/// What would lose unsaved work.
#[derive(Debug, Clone, PartialEq)]
enum Next {
    /// A job that replaces the kit.
    Job(Job),
    /// The end of the program.
    End,
}

/// Something that would lose unsaved work.
#[derive(Debug, Default)]
pub struct Unsaved {
    /// The player is asked about it.
    asked: Option<Next>,
    /// It waits until the kit has been saved.
    after_save: Option<Next>,
    /// The player has let the program end.
    ends: bool,
}

impl Unsaved {
    /// Starts the job, or asks first when it would replace unsaved work.
    pub(super) fn start(&mut self, job: Job, cx: &FrameContext<'_>) {
        let replaces = matches!(
            job,
            Job::NewKit { .. } | Job::LoadKit(_) | Job::DemoKit { .. } | Job::RestoreAutosave(_)
        );
        if replaces && cx.session.is_changed() {
            self.asked = Some(Next::Job(job));
        } else {
            cx.session.start(job);
        }
    }

    /// Asks whether the program may end.
    pub(super) fn ask_before_end(&mut self) {
        self.asked = Some(Next::End);
    }

    /// Whether the player has let the program end.
    pub(super) fn ends(&self) -> bool {
        self.ends
    }

    /// Goes on once the kit was saved; `browsing` while a place for it is being chosen. A save that failed or was given
    /// up leaves everything as it is.
    pub(super) fn follow(&mut self, cx: &FrameContext<'_>, browsing: bool) {
        if browsing || cx.session.job().is_some() {
            return;
        }
        if let Some(next) = self.after_save.take()
            && !cx.session.is_changed()
        {
            self.go(next, cx);
        }
    }

    fn go(&mut self, next: Next, cx: &FrameContext<'_>) {
        match next {
            Next::Job(job) => cx.session.start(job),
            Next::End => self.ends = true,
        }
    }

    /// The question, while there is one.
    pub(super) fn show(&mut self, ui: &Ui, cx: &mut FrameContext<'_>) {
        let Some(next) = self.asked.clone() else { return };
        let mut answer = None;
        let modal = theme::modal("unsaved").show(ui.ctx(), |ui| {
            ui.set_width(440.0);
            ui.label(RichText::new("Save this kit first?").font(theme::title()).color(theme::TEXT));
            ui.label(format!("\"{}\" has changes that no file holds.", cx.kit.doc.name));
            ui.add_space(theme::GAP);
            answer = buttons(ui, &next);
        });
        let answer = answer.or_else(|| modal.should_close().then_some(Answer::Keep));
        if let Some(answer) = answer {
            self.asked = None;
            self.obey(answer, next, cx);
        }
    }

    fn obey(&mut self, answer: Answer, next: Next, cx: &mut FrameContext<'_>) {
        match (answer, next) {
            (Answer::Save, next) => {
                self.after_save = Some(next);
                save(cx);
            }
            (Answer::Add, Next::Job(Job::NewKit { takes, .. })) => {
                takes.into_iter().for_each(|take| cx.session.start(Job::AddTake(take)));
            }
            (Answer::Replace, next) => self.go(next, cx),
            (Answer::Keep | Answer::Add, _) => {}
        }
    }
}

/// What the player answers.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Answer {
    Save,
    Replace,
    Add,
    Keep,
}

fn buttons(ui: &mut Ui, next: &Next) -> Option<Answer> {
    let mut answers = match next {
        Next::End => vec![
            (Answer::Save, "Save and close", "Saves this kit, then ends the program."),
            (
                Answer::Replace,
                "Close without saving",
                "Ends the program; the next start offers the kit again.",
            ),
            (Answer::Keep, "Keep working", "Leaves the program open."),
        ],
        Next::Job(_) => vec![
            (Answer::Save, "Save it first", "Saves this kit, then opens the other one."),
            (Answer::Replace, "Replace it", "Opens the other one; Undo brings this kit back."),
            (Answer::Keep, "Keep this kit", "Opens nothing."),
        ],
    };
    if matches!(next, Next::Job(Job::NewKit { .. })) {
        answers.insert(2, (Answer::Add, "Add as another take", "The recording becomes a take of this kit."));
    }
    let mut answer = None;
    ui.horizontal_wrapped(|ui| {
        for (i, (one, text, help)) in answers.into_iter().enumerate() {
            let button = if i == 0 {
                widgets::primary(ui, text, text, help)
            } else {
                widgets::button(ui, text, text, help)
            };
            if button.clicked() {
                answer = Some(one);
            }
        }
    });
    answer
}

/// Saves the kit into its file, or lets a place be chosen.
pub(super) fn save(cx: &mut FrameContext<'_>) {
    match cx.session.file() {
        Some(file) => cx.session.start(Job::SaveKit(file)),
        None => save_as(cx),
    }
}

/// Lets a place for the kit be chosen.
pub(super) fn save_as(cx: &mut FrameContext<'_>) {
    let name = format!("{}.kitwright", cx.kit.doc.name);
    cx.browse(FilePurpose::Save, &name);
}
