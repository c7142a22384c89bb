//! The files that are published. Made by profiles/make; do not edit.

/// Each file: its name, and its text.
pub(super) const FILES: &[(&str, &str)] = &[
    (
        "CodeSystem-alert-answer.json",
        include_str!("../../../../profiles/published/CodeSystem-alert-answer.json"),
    ),
    ("CodeSystem-alert-kind.json", include_str!("../../../../profiles/published/CodeSystem-alert-kind.json")),
    (
        "CodeSystem-arrest-cause.json",
        include_str!("../../../../profiles/published/CodeSystem-arrest-cause.json"),
    ),
    (
        "CodeSystem-card-feedback.json",
        include_str!("../../../../profiles/published/CodeSystem-card-feedback.json"),
    ),
    (
        "CodeSystem-exam-finding.json",
        include_str!("../../../../profiles/published/CodeSystem-exam-finding.json"),
    ),
    ("CodeSystem-issue.json", include_str!("../../../../profiles/published/CodeSystem-issue.json")),
    ("CodeSystem-landmark.json", include_str!("../../../../profiles/codes/landmark.json")),
    ("CodeSystem-laterality.json", include_str!("../../../../profiles/published/CodeSystem-laterality.json")),
    ("CodeSystem-milestone.json", include_str!("../../../../profiles/published/CodeSystem-milestone.json")),
    (
        "CodeSystem-motor-grade.json",
        include_str!("../../../../profiles/published/CodeSystem-motor-grade.json"),
    ),
    ("CodeSystem-nerve.json", include_str!("../../../../profiles/codes/nerve.json")),
    (
        "CodeSystem-option-consequence.json",
        include_str!("../../../../profiles/published/CodeSystem-option-consequence.json"),
    ),
    ("CodeSystem-origin.json", include_str!("../../../../profiles/published/CodeSystem-origin.json")),
    (
        "CodeSystem-override-reason.json",
        include_str!("../../../../profiles/published/CodeSystem-override-reason.json"),
    ),
    (
        "CodeSystem-patient-wish.json",
        include_str!("../../../../profiles/published/CodeSystem-patient-wish.json"),
    ),
    (
        "CodeSystem-reinnervation-target.json",
        include_str!("../../../../profiles/codes/reinnervation-target.json"),
    ),
    (
        "CodeSystem-repair-technique.json",
        include_str!("../../../../profiles/published/CodeSystem-repair-technique.json"),
    ),
    ("CodeSystem-report.json", include_str!("../../../../profiles/published/CodeSystem-report.json")),
    ("CodeSystem-request.json", include_str!("../../../../profiles/published/CodeSystem-request.json")),
    (
        "CodeSystem-review-purpose.json",
        include_str!("../../../../profiles/published/CodeSystem-review-purpose.json"),
    ),
    (
        "CodeSystem-review-state.json",
        include_str!("../../../../profiles/published/CodeSystem-review-state.json"),
    ),
    ("CodeSystem-salvage.json", include_str!("../../../../profiles/published/CodeSystem-salvage.json")),
    (
        "CodeSystem-sensory-grade.json",
        include_str!("../../../../profiles/published/CodeSystem-sensory-grade.json"),
    ),
    (
        "CodeSystem-unit-report.json",
        include_str!("../../../../profiles/published/CodeSystem-unit-report.json"),
    ),
    (
        "ConceptMap-example-hospital-codes.json",
        include_str!("../../../../profiles/published/ConceptMap-example-hospital-codes.json"),
    ),
    (
        "Library-nerve-repair-protocol.json",
        include_str!("../../../../profiles/published/Library-nerve-repair-protocol.json"),
    ),
    (
        "Measure-nerve-repair-unit.json",
        include_str!("../../../../profiles/published/Measure-nerve-repair-unit.json"),
    ),
    (
        "OperationDefinition-CarePlan-assess.json",
        include_str!("../../../../profiles/published/OperationDefinition-CarePlan-assess.json"),
    ),
    (
        "OperationDefinition-ConceptMap-unmapped.json",
        include_str!("../../../../profiles/published/OperationDefinition-ConceptMap-unmapped.json"),
    ),
    (
        "OperationDefinition-Patient-protocol-move.json",
        include_str!("../../../../profiles/published/OperationDefinition-Patient-protocol-move.json"),
    ),
    (
        "OperationDefinition-Patient-protocol-preview.json",
        include_str!("../../../../profiles/published/OperationDefinition-Patient-protocol-preview.json"),
    ),
    (
        "OperationDefinition-PlanDefinition-apply.json",
        include_str!("../../../../profiles/published/OperationDefinition-PlanDefinition-apply.json"),
    ),
    (
        "OperationDefinition-PlanDefinition-compare-options.json",
        include_str!(
            "../../../../profiles/published/OperationDefinition-PlanDefinition-compare-options.json"
        ),
    ),
    (
        "OperationDefinition-PlanDefinition-unit-report.json",
        include_str!("../../../../profiles/published/OperationDefinition-PlanDefinition-unit-report.json"),
    ),
    (
        "OperationDefinition-RiskAssessment-chart.json",
        include_str!("../../../../profiles/published/OperationDefinition-RiskAssessment-chart.json"),
    ),
    (
        "PlanDefinition-nerve-repair-follow-up.json",
        include_str!("../../../../profiles/published/PlanDefinition-nerve-repair-follow-up.json"),
    ),
    (
        "StructureDefinition-alert-fact.json",
        include_str!("../../../../profiles/published/StructureDefinition-alert-fact.json"),
    ),
    (
        "StructureDefinition-arrest-probability.json",
        include_str!("../../../../profiles/published/StructureDefinition-arrest-probability.json"),
    ),
    (
        "StructureDefinition-cable-count.json",
        include_str!("../../../../profiles/published/StructureDefinition-cable-count.json"),
    ),
    (
        "StructureDefinition-caution.json",
        include_str!("../../../../profiles/published/StructureDefinition-caution.json"),
    ),
    (
        "StructureDefinition-donor-nerve.json",
        include_str!("../../../../profiles/published/StructureDefinition-donor-nerve.json"),
    ),
    (
        "StructureDefinition-donor-path-length.json",
        include_str!("../../../../profiles/published/StructureDefinition-donor-path-length.json"),
    ),
    (
        "StructureDefinition-follow-up-alert.json",
        include_str!("../../../../profiles/published/StructureDefinition-follow-up-alert.json"),
    ),
    (
        "StructureDefinition-follow-up-plan.json",
        include_str!("../../../../profiles/published/StructureDefinition-follow-up-plan.json"),
    ),
    (
        "StructureDefinition-gap-length.json",
        include_str!("../../../../profiles/published/StructureDefinition-gap-length.json"),
    ),
    (
        "StructureDefinition-given-up.json",
        include_str!("../../../../profiles/published/StructureDefinition-given-up.json"),
    ),
    (
        "StructureDefinition-growth-rate.json",
        include_str!("../../../../profiles/published/StructureDefinition-growth-rate.json"),
    ),
    (
        "StructureDefinition-handed-to.json",
        include_str!("../../../../profiles/published/StructureDefinition-handed-to.json"),
    ),
    (
        "StructureDefinition-interval.json",
        include_str!("../../../../profiles/published/StructureDefinition-interval.json"),
    ),
    (
        "StructureDefinition-last-useful-date.json",
        include_str!("../../../../profiles/published/StructureDefinition-last-useful-date.json"),
    ),
    (
        "StructureDefinition-laterality.json",
        include_str!("../../../../profiles/published/StructureDefinition-laterality.json"),
    ),
    (
        "StructureDefinition-median-date.json",
        include_str!("../../../../profiles/published/StructureDefinition-median-date.json"),
    ),
    (
        "StructureDefinition-motor-grade.json",
        include_str!("../../../../profiles/published/StructureDefinition-motor-grade.json"),
    ),
    (
        "StructureDefinition-nascent-potentials.json",
        include_str!("../../../../profiles/published/StructureDefinition-nascent-potentials.json"),
    ),
    (
        "StructureDefinition-nerve-repair.json",
        include_str!("../../../../profiles/published/StructureDefinition-nerve-repair.json"),
    ),
    (
        "StructureDefinition-operate-by.json",
        include_str!("../../../../profiles/published/StructureDefinition-operate-by.json"),
    ),
    (
        "StructureDefinition-pain-score.json",
        include_str!("../../../../profiles/published/StructureDefinition-pain-score.json"),
    ),
    (
        "StructureDefinition-recovery-assessment.json",
        include_str!("../../../../profiles/published/StructureDefinition-recovery-assessment.json"),
    ),
    (
        "StructureDefinition-recovery-chart.json",
        include_str!("../../../../profiles/published/StructureDefinition-recovery-chart.json"),
    ),
    (
        "StructureDefinition-repair-level.json",
        include_str!("../../../../profiles/published/StructureDefinition-repair-level.json"),
    ),
    (
        "StructureDefinition-review-count.json",
        include_str!("../../../../profiles/published/StructureDefinition-review-count.json"),
    ),
    (
        "StructureDefinition-review-request.json",
        include_str!("../../../../profiles/published/StructureDefinition-review-request.json"),
    ),
    (
        "StructureDefinition-review-task.json",
        include_str!("../../../../profiles/published/StructureDefinition-review-task.json"),
    ),
    (
        "StructureDefinition-scheduler-said.json",
        include_str!("../../../../profiles/published/StructureDefinition-scheduler-said.json"),
    ),
    (
        "StructureDefinition-sensory-grade.json",
        include_str!("../../../../profiles/published/StructureDefinition-sensory-grade.json"),
    ),
    (
        "StructureDefinition-snoozed-until.json",
        include_str!("../../../../profiles/published/StructureDefinition-snoozed-until.json"),
    ),
    (
        "StructureDefinition-sudomotor-function.json",
        include_str!("../../../../profiles/published/StructureDefinition-sudomotor-function.json"),
    ),
    (
        "StructureDefinition-suggested-parameter.json",
        include_str!("../../../../profiles/published/StructureDefinition-suggested-parameter.json"),
    ),
    (
        "StructureDefinition-target-structure.json",
        include_str!("../../../../profiles/published/StructureDefinition-target-structure.json"),
    ),
    (
        "StructureDefinition-target.json",
        include_str!("../../../../profiles/published/StructureDefinition-target.json"),
    ),
    (
        "StructureDefinition-tinel-distance.json",
        include_str!("../../../../profiles/published/StructureDefinition-tinel-distance.json"),
    ),
    (
        "StructureDefinition-wish-against.json",
        include_str!("../../../../profiles/published/StructureDefinition-wish-against.json"),
    ),
    ("ValueSet-alert-answer.json", include_str!("../../../../profiles/published/ValueSet-alert-answer.json")),
    ("ValueSet-alert-kind.json", include_str!("../../../../profiles/published/ValueSet-alert-kind.json")),
    ("ValueSet-arrest-cause.json", include_str!("../../../../profiles/published/ValueSet-arrest-cause.json")),
    (
        "ValueSet-card-feedback.json",
        include_str!("../../../../profiles/published/ValueSet-card-feedback.json"),
    ),
    ("ValueSet-exam-finding.json", include_str!("../../../../profiles/published/ValueSet-exam-finding.json")),
    ("ValueSet-issue.json", include_str!("../../../../profiles/published/ValueSet-issue.json")),
    ("ValueSet-landmark.json", include_str!("../../../../profiles/published/ValueSet-landmark.json")),
    ("ValueSet-laterality.json", include_str!("../../../../profiles/published/ValueSet-laterality.json")),
    ("ValueSet-length-unit.json", include_str!("../../../../profiles/published/ValueSet-length-unit.json")),
    ("ValueSet-milestone.json", include_str!("../../../../profiles/published/ValueSet-milestone.json")),
    ("ValueSet-motor-grade.json", include_str!("../../../../profiles/published/ValueSet-motor-grade.json")),
    ("ValueSet-muscle.json", include_str!("../../../../profiles/published/ValueSet-muscle.json")),
    ("ValueSet-nerve.json", include_str!("../../../../profiles/published/ValueSet-nerve.json")),
    (
        "ValueSet-option-consequence.json",
        include_str!("../../../../profiles/published/ValueSet-option-consequence.json"),
    ),
    ("ValueSet-origin.json", include_str!("../../../../profiles/published/ValueSet-origin.json")),
    (
        "ValueSet-override-reason.json",
        include_str!("../../../../profiles/published/ValueSet-override-reason.json"),
    ),
    ("ValueSet-patient-wish.json", include_str!("../../../../profiles/published/ValueSet-patient-wish.json")),
    (
        "ValueSet-reinnervation-target.json",
        include_str!("../../../../profiles/published/ValueSet-reinnervation-target.json"),
    ),
    (
        "ValueSet-repair-technique.json",
        include_str!("../../../../profiles/published/ValueSet-repair-technique.json"),
    ),
    ("ValueSet-report.json", include_str!("../../../../profiles/published/ValueSet-report.json")),
    ("ValueSet-request.json", include_str!("../../../../profiles/published/ValueSet-request.json")),
    (
        "ValueSet-review-purpose.json",
        include_str!("../../../../profiles/published/ValueSet-review-purpose.json"),
    ),
    ("ValueSet-review-state.json", include_str!("../../../../profiles/published/ValueSet-review-state.json")),
    ("ValueSet-salvage.json", include_str!("../../../../profiles/published/ValueSet-salvage.json")),
    (
        "ValueSet-sensory-grade.json",
        include_str!("../../../../profiles/published/ValueSet-sensory-grade.json"),
    ),
    (
        "ValueSet-skin-territory.json",
        include_str!("../../../../profiles/published/ValueSet-skin-territory.json"),
    ),
    ("ValueSet-unit-report.json", include_str!("../../../../profiles/published/ValueSet-unit-report.json")),
];

/// Each profile: the type that it constrains, and its id.
pub(super) const PROFILES: &[(&str, &str)] = &[
    ("CarePlan", "follow-up-plan"),
    ("DetectedIssue", "follow-up-alert"),
    ("DiagnosticReport", "recovery-chart"),
    ("Observation", "motor-grade"),
    ("Observation", "nascent-potentials"),
    ("Observation", "pain-score"),
    ("Observation", "sensory-grade"),
    ("Observation", "sudomotor-function"),
    ("Observation", "tinel-distance"),
    ("Procedure", "nerve-repair"),
    ("RiskAssessment", "recovery-assessment"),
    ("ServiceRequest", "review-request"),
    ("Task", "review-task"),
];
