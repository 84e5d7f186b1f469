"""The study: what the detectors find in many seeded twin hours, with and without faults."""

from plylane.study.run import Study, StudyPlan, run_study

__all__ = ["Study", "StudyPlan", "run_study"]
