//! Before another kit takes the place of unsaved work, the player is asked.

use super::{file_browser::FilePurpose, frame_context::FrameContext, theme, widgets};
use egui::{RichText, Ui};
use kitwright_core::session::Job;

/// A job that would replace unsaved work.
#[derive(Debug, Default)]
pub struct Unsaved {
    /// The player is asked about it.
    asked: Option<Job>,
    /// It waits until the kit has been saved.
    after_save: Option<Job>,
}

impl Unsaved {
    /// Starts the job, or asks first when it would replace unsaved work.
    pub(super) fn start(&mut self, job: Job, cx: &FrameContext<'_>) {
        let replaces = matches!(
            job,
            Job::NewKit { .. } | Job::LoadKit(_) | Job::DemoKit { .. } | Job::RestoreAutosave(_)
        );
        if replaces && cx.session.is_changed() {
            self.asked = Some(job);
        } else {
            cx.session.start(job);
        }
    }

    /// Goes on once the kit was saved; `browsing` while a place for it is being chosen. A save that failed or was given
    /// up leaves everything as it is.
    pub(super) fn follow(&mut self, cx: &FrameContext<'_>, browsing: bool) {
        if browsing || cx.session.job().is_some() {
            return;
        }
        if let Some(job) = self.after_save.take()
            && !cx.session.is_changed()
        {
            cx.session.start(job);
        }
    }

    /// The question, while there is one.
    pub(super) fn show(&mut self, ui: &Ui, cx: &mut FrameContext<'_>) {
        let Some(job) = self.asked.clone() else { return };
        let mut answer = None;
        let modal = theme::modal("unsaved").show(ui.ctx(), |ui| {
            ui.set_width(440.0);
            ui.label(RichText::new("Save this kit first?").font(theme::title()).color(theme::TEXT));
            ui.label(format!("\"{}\" has changes that no file holds.", cx.kit.doc.name));
            ui.add_space(theme::GAP);
            answer = buttons(ui, &job);
        });
        let answer = answer.or_else(|| modal.should_close().then_some(Answer::Keep));
        if let Some(answer) = answer {
            self.asked = None;
            self.obey(answer, job, cx);
        }
    }

    fn obey(&mut self, answer: Answer, job: Job, cx: &mut FrameContext<'_>) {
        match (answer, job) {
            (Answer::Save, job) => {
                self.after_save = Some(job);
                save(cx);
            }
            (Answer::Add, Job::NewKit { takes, .. }) => {
                takes.into_iter().for_each(|take| cx.session.start(Job::AddTake(take)));
            }
            (Answer::Replace, job) => cx.session.start(job),
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

fn buttons(ui: &mut Ui, job: &Job) -> Option<Answer> {
    let mut answers = vec![
        (Answer::Save, "Save it first", "Saves this kit, then opens the other one."),
        (Answer::Replace, "Replace it", "Opens the other one; Undo brings this kit back."),
    ];
    if matches!(job, Job::NewKit { .. }) {
        answers.push((Answer::Add, "Add as another take", "The recording becomes a take of this kit."));
    }
    answers.push((Answer::Keep, "Keep this kit", "Opens nothing."));
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
