"""Jobs, plates, faces, surveys and everything kept with them; drafts, sign-offs and the trail."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001_first_casebook"
down_revision = None
branch_labels = None
depends_on = None

NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "audit",
        sa.Column("id", NUMBER, nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("action", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("record_id", NUMBER, nullable=False),
        sa.Column("plate_id", NUMBER, nullable=True),
        sa.Column("job_id", NUMBER, nullable=True),
        sa.Column("changes_json", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_audit"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_audit_at", "audit", ["at"])
    op.create_index("ix_audit_job_id", "audit", ["job_id"])
    op.create_index("ix_audit_kind_record_id", "audit", ["kind", "record_id"])
    op.create_index("ix_audit_plate_id", "audit", ["plate_id"])
    op.create_table(
        "blob",
        sa.Column("id", NUMBER, nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("n_bytes", NUMBER, nullable=False),
        sa.Column("stored_at", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_blob"),
        sa.UniqueConstraint("sha256", name="uq_blob_sha256"),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "draft",
        sa.Column("id", NUMBER, nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("record_id", NUMBER, nullable=False),
        sa.Column("seen_version", NUMBER, nullable=False),
        sa.Column("changes_json", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("created_at", sa.Text(), nullable=False),
        sa.Column("created_by", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_draft"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_draft_kind_record_id", "draft", ["kind", "record_id"])
    op.create_table(
        "job",
        sa.Column("id", NUMBER, nullable=False),
        sa.Column("reference", sa.Text(), nullable=False),
        sa.Column("reference_key", sa.Text(), nullable=False),
        sa.Column("customer", sa.Text(), nullable=False),
        sa.Column("customer_key", sa.Text(), nullable=False),
        sa.Column("engine", sa.Text(), nullable=False),
        sa.Column("engine_key", sa.Text(), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("revision", NUMBER, nullable=False),
        sa.Column("version", NUMBER, nullable=False),
        sa.Column("created_at", sa.Text(), nullable=False),
        sa.Column("changed_at", sa.Text(), nullable=False),
        sa.Column("changed_by", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_job"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_job_reference_key", "job", ["reference_key"])
    op.create_table(
        "plate",
        sa.Column("id", NUMBER, nullable=False),
        sa.Column("tag", sa.Text(), nullable=False),
        sa.Column("tag_key", sa.Text(), nullable=False),
        sa.Column("position", sa.Text(), nullable=False),
        sa.Column("drawing", sa.Text(), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("version", NUMBER, nullable=False),
        sa.Column("created_at", sa.Text(), nullable=False),
        sa.Column("changed_at", sa.Text(), nullable=False),
        sa.Column("changed_by", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_plate"),
        sa.UniqueConstraint("tag_key", name="uq_plate_tag_key"),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "sign_off",
        sa.Column("id", NUMBER, nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("record_id", NUMBER, nullable=False),
        sa.Column("revision", NUMBER, nullable=False),
        sa.Column("statement", sa.Text(), nullable=False),
        sa.Column("content_json", sa.Text(), nullable=False),
        sa.Column("content_sha256", sa.Text(), nullable=False),
        sa.Column("signed_at", sa.Text(), nullable=False),
        sa.Column("signed_by", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_sign_off"),
        sa.UniqueConstraint("kind", "record_id", "revision", name="uq_sign_off_kind_record_id_revision"),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "attachment",
        sa.Column("id", NUMBER, nullable=False),
        sa.Column("plate_id", NUMBER, nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("n_bytes", NUMBER, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("created_at", sa.Text(), nullable=False),
        sa.Column("created_by", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["plate_id"], ["plate.id"], name="fk_attachment_plate_id_plate"),
        sa.ForeignKeyConstraint(["sha256"], ["blob.sha256"], name="fk_attachment_sha256_blob"),
        sa.PrimaryKeyConstraint("id", name="pk_attachment"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_attachment_plate_id", "attachment", ["plate_id"])
    op.create_index("ix_attachment_sha256", "attachment", ["sha256"])
    op.create_table(
        "checklist_item",
        sa.Column("id", NUMBER, nullable=False),
        sa.Column("job_id", NUMBER, nullable=False),
        sa.Column("plate_id", NUMBER, nullable=False),
        sa.Column("step", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("caution", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("version", NUMBER, nullable=False),
        sa.Column("created_at", sa.Text(), nullable=False),
        sa.Column("changed_at", sa.Text(), nullable=False),
        sa.Column("changed_by", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["job.id"], name="fk_checklist_item_job_id_job"),
        sa.ForeignKeyConstraint(["plate_id"], ["plate.id"], name="fk_checklist_item_plate_id_plate"),
        sa.PrimaryKeyConstraint("id", name="pk_checklist_item"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_checklist_item_job_id_plate_id", "checklist_item", ["job_id", "plate_id"])
    op.create_index("ix_checklist_item_plate_id", "checklist_item", ["plate_id"])
    op.create_table(
        "face",
        sa.Column("id", NUMBER, nullable=False),
        sa.Column("plate_id", NUMBER, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("name_key", sa.Text(), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("version", NUMBER, nullable=False),
        sa.Column("created_at", sa.Text(), nullable=False),
        sa.Column("changed_at", sa.Text(), nullable=False),
        sa.Column("changed_by", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["plate_id"], ["plate.id"], name="fk_face_plate_id_plate"),
        sa.PrimaryKeyConstraint("id", name="pk_face"),
        sa.UniqueConstraint("plate_id", "name_key", name="uq_face_plate_id_name_key"),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "job_plate",
        sa.Column("id", NUMBER, nullable=False),
        sa.Column("job_id", NUMBER, nullable=False),
        sa.Column("plate_id", NUMBER, nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["job.id"], name="fk_job_plate_job_id_job"),
        sa.ForeignKeyConstraint(["plate_id"], ["plate.id"], name="fk_job_plate_plate_id_plate"),
        sa.PrimaryKeyConstraint("id", name="pk_job_plate"),
        sa.UniqueConstraint("job_id", "plate_id", name="uq_job_plate_job_id_plate_id"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_job_plate_plate_id", "job_plate", ["plate_id"])
    op.create_table(
        "plate_event",
        sa.Column("id", NUMBER, nullable=False),
        sa.Column("plate_id", NUMBER, nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("face", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("happened_on", sa.Text(), nullable=True),
        sa.Column("removed_um", sa.Double(), nullable=True),
        sa.Column("uncertainty_um", sa.Double(), nullable=True),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("version", NUMBER, nullable=False),
        sa.Column("created_at", sa.Text(), nullable=False),
        sa.Column("changed_at", sa.Text(), nullable=False),
        sa.Column("changed_by", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["plate_id"], ["plate.id"], name="fk_plate_event_plate_id_plate"),
        sa.PrimaryKeyConstraint("id", name="pk_plate_event"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_plate_event_plate_id", "plate_event", ["plate_id"])
    op.create_table(
        "survey",
        sa.Column("id", NUMBER, nullable=False),
        sa.Column("job_id", NUMBER, nullable=False),
        sa.Column("plate_id", NUMBER, nullable=False),
        sa.Column("face_id", NUMBER, nullable=False),
        sa.Column("stage", sa.Text(), nullable=False),
        sa.Column("surveyed_on", sa.Text(), nullable=False),
        sa.Column("removed_value_um", sa.Double(), nullable=True),
        sa.Column("removed_low_um", sa.Double(), nullable=True),
        sa.Column("removed_high_um", sa.Double(), nullable=True),
        sa.Column("removed_level", sa.Double(), nullable=False),
        sa.Column("removed_reason", sa.Text(), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("revision", NUMBER, nullable=False),
        sa.Column("supersedes_id", NUMBER, nullable=True),
        sa.Column("version", NUMBER, nullable=False),
        sa.Column("created_at", sa.Text(), nullable=False),
        sa.Column("changed_at", sa.Text(), nullable=False),
        sa.Column("changed_by", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["face_id"], ["face.id"], name="fk_survey_face_id_face"),
        sa.ForeignKeyConstraint(["job_id"], ["job.id"], name="fk_survey_job_id_job"),
        sa.ForeignKeyConstraint(["plate_id"], ["plate.id"], name="fk_survey_plate_id_plate"),
        sa.ForeignKeyConstraint(["supersedes_id"], ["survey.id"], name="fk_survey_supersedes_id_survey"),
        sa.PrimaryKeyConstraint("id", name="pk_survey"),
        sa.UniqueConstraint("supersedes_id", name="uq_survey_supersedes_id"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_survey_face_id", "survey", ["face_id"])
    op.create_index("ix_survey_job_id", "survey", ["job_id"])
    op.create_index("ix_survey_plate_id_surveyed_on", "survey", ["plate_id", "surveyed_on"])
    op.create_index("ix_survey_surveyed_on_stage_plate_id", "survey", ["surveyed_on", "stage", "plate_id"])
    op.create_table(
        "inspection",
        sa.Column("id", NUMBER, nullable=False),
        sa.Column("survey_id", NUMBER, nullable=False),
        sa.Column("summary_json", sa.Text(), nullable=False),
        sa.Column("edits_version", NUMBER, nullable=False),
        sa.Column("version", NUMBER, nullable=False),
        sa.Column("created_at", sa.Text(), nullable=False),
        sa.Column("changed_at", sa.Text(), nullable=False),
        sa.Column("changed_by", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["survey_id"], ["survey.id"], name="fk_inspection_survey_id_survey"),
        sa.PrimaryKeyConstraint("id", name="pk_inspection"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_inspection_survey_id", "inspection", ["survey_id"])
    op.create_table(
        "photo",
        sa.Column("id", NUMBER, nullable=False),
        sa.Column("survey_id", NUMBER, nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("n_bytes", NUMBER, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("withdrawn", sa.Text(), nullable=False),
        sa.Column("version", NUMBER, nullable=False),
        sa.Column("created_at", sa.Text(), nullable=False),
        sa.Column("changed_at", sa.Text(), nullable=False),
        sa.Column("changed_by", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["sha256"], ["blob.sha256"], name="fk_photo_sha256_blob"),
        sa.ForeignKeyConstraint(["survey_id"], ["survey.id"], name="fk_photo_survey_id_survey"),
        sa.PrimaryKeyConstraint("id", name="pk_photo"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_photo_sha256", "photo", ["sha256"])
    op.create_index("ix_photo_survey_id", "photo", ["survey_id"])
    op.create_table(
        "reading",
        sa.Column("id", NUMBER, nullable=False),
        sa.Column("survey_id", NUMBER, nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("x_mm", sa.Double(), nullable=True),
        sa.Column("y_mm", sa.Double(), nullable=True),
        sa.Column("mark_id", NUMBER, nullable=False),
        sa.Column("value_um", sa.Double(), nullable=False),
        sa.Column("uncertainty_um", sa.Double(), nullable=True),
        sa.Column("is_lower_bound", sa.Boolean(), nullable=False),
        sa.Column("instrument", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("as_typed", sa.Text(), nullable=False),
        sa.Column("flags", NUMBER, nullable=False),
        sa.Column("withdrawn", sa.Text(), nullable=False),
        sa.Column("version", NUMBER, nullable=False),
        sa.Column("created_at", sa.Text(), nullable=False),
        sa.Column("changed_at", sa.Text(), nullable=False),
        sa.Column("changed_by", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["survey_id"], ["survey.id"], name="fk_reading_survey_id_survey"),
        sa.PrimaryKeyConstraint("id", name="pk_reading"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_reading_survey_id", "reading", ["survey_id"])
    op.create_table(
        "inspection_file",
        sa.Column("id", NUMBER, nullable=False),
        sa.Column("inspection_id", NUMBER, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("n_bytes", NUMBER, nullable=False),
        sa.ForeignKeyConstraint(
            ["inspection_id"], ["inspection.id"], name="fk_inspection_file_inspection_id_inspection"
        ),
        sa.ForeignKeyConstraint(["sha256"], ["blob.sha256"], name="fk_inspection_file_sha256_blob"),
        sa.PrimaryKeyConstraint("id", name="pk_inspection_file"),
        sa.UniqueConstraint("inspection_id", "name", name="uq_inspection_file_inspection_id_name"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_inspection_file_sha256", "inspection_file", ["sha256"])
    op.create_table(
        "map_edit",
        sa.Column("id", NUMBER, nullable=False),
        sa.Column("inspection_id", NUMBER, nullable=False),
        sa.Column("layer", NUMBER, nullable=True),
        sa.Column("action", sa.Text(), nullable=False),
        sa.Column("class_code", NUMBER, nullable=False),
        sa.Column("shape_json", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("seen_version", NUMBER, nullable=False),
        sa.Column("created_at", sa.Text(), nullable=False),
        sa.Column("created_by", sa.Text(), nullable=False),
        sa.Column("changed_at", sa.Text(), nullable=False),
        sa.Column("changed_by", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["inspection_id"], ["inspection.id"], name="fk_map_edit_inspection_id_inspection"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_map_edit"),
        sa.UniqueConstraint("inspection_id", "layer", name="uq_map_edit_inspection_id_layer"),
        sqlite_autoincrement=True,
    )
