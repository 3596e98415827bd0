//! Shows how far a run is: a bar with the time left on a terminal, a line a
//! photograph elsewhere. All of it goes to standard error.

use glassine::trouble::Trouble;
use indicatif::{ProgressBar, ProgressStyle};
use std::io::IsTerminal;

/// The progress of one run over files.
pub struct Progress {
    bar: Option<ProgressBar>,
}

impl Progress {
    /// A run over `files` files.
    pub fn new(files: usize) -> Self {
        let bar = std::io::stderr().is_terminal().then(|| {
            let style = ProgressStyle::with_template("{bar:32} {pos}/{len} photographs, {eta} left  {msg}")
                .expect("the template is fixed");
            ProgressBar::new(files as u64).with_style(style)
        });
        if let Some(bar) = &bar {
            bar.enable_steady_tick(std::time::Duration::from_millis(500));
        }
        Progress { bar }
    }

    /// A file is begun.
    pub fn begin(&self, name: &str) {
        if let Some(bar) = &self.bar {
            bar.set_message(name.to_string());
        }
    }

    /// A line about a photograph, printed only where there is no bar.
    pub fn line(&self, text: &str) {
        if self.bar.is_none() {
            eprintln!("{text}");
        }
    }

    /// Something to be seen in any case.
    pub fn say(&self, text: &str) {
        match &self.bar {
            Some(bar) => bar.suspend(|| eprintln!("{text}")),
            None => eprintln!("{text}"),
        }
    }

    /// A file or photograph that cannot be used.
    pub fn trouble(&self, trouble: &Trouble) {
        self.say(&format!("error: {trouble}"));
    }

    /// A file is done.
    pub fn done(&self) {
        if let Some(bar) = &self.bar {
            bar.inc(1);
        }
    }

    /// The run is over.
    pub fn end(&self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}
