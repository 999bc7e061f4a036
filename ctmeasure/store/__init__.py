"""The practice database: who tried which task when, step by step, with answers and scores. SQLite, or PostgreSQL."""
